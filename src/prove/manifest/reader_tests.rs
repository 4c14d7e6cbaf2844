//! What is read of manifests that other programs or people wrote, and what is refused.

use super::{Entry, EntryKind, ManifestError, Time, read};

fn read_all(text: &str) -> Result<Vec<Entry>, ManifestError> {
    read(text.as_bytes()).collect()
}

/// The entries as `path mode uid:gid seconds.nanos kind`.
#[track_caller]
fn shown(text: &str) -> Vec<String> {
    let entries = read_all(text).unwrap();
    let show = |entry: &Entry| {
        let Time { seconds, nanos } = entry.time;
        let kind = match &entry.kind {
            EntryKind::Folder => "folder".to_owned(),
            EntryKind::File { size, digest } => {
                format!(
                    "file of {size}{}",
                    if digest.is_some() { " digested" } else { "" }
                )
            }
            EntryKind::Link { target } => format!("link to {}", target.escape_ascii()),
            EntryKind::CharDevice { major, minor } => format!("char {major}:{minor}"),
            EntryKind::BlockDevice { major, minor } => format!("block {major}:{minor}"),
            other => format!("{other:?}").to_lowercase(),
        };
        let path = entry.path.escape_ascii();
        let (mode, uid, gid) = (entry.mode, entry.uid, entry.gid);
        format!("{path} {mode:04o} {uid}:{gid} {seconds}.{nanos:09} {kind}")
    };
    entries.iter().map(show).collect()
}

#[track_caller]
fn refused(text: &str, line: u64, words: &str) {
    let error = read_all(text).unwrap_err();
    assert_eq!(error.line, line, "{error}");
    assert!(error.to_string().contains(words), "{error}");
}

const SET: &str = "/set type=file uid=0 gid=5 mode=0644 nlink=1 flags=none\n";

#[test]
fn a_manifest_as_mtree_writes_it_is_read() {
    let text = format!(
        "#\t   user: (null)\n#\tmachine: kiln\n\n# .\n{SET}\
         .               type=dir mode=0755 nlink=4 time=1795610756.883445791\n\
         \x20   caf\\M-C\\M-) size=5 time=5.7 \\\n\
         \x20               sha256=850f7dc43910ff890f8879c0ed26fe697c93a067ad93a7d50f466a7028a9bf4e\n\
         \x20   blk         type=block mode=0640 device=0x1110fa70 time=-2.500000000\n\
         \x20   l           type=link mode=0777 time=0.0 link=tar\\sget\\n\\#\\\\\\M^?*=$\n\
         \n# ./d ir\nd\\sir           type=dir mode=0755 time=-5.0\n    in          size=0 time=1.0\n# ./d ir\n..\n\n\
         late size=0 time=1.0\n..\n"
    );
    assert_eq!(
        shown(&text),
        [
            " 0755 0:5 1795610756.883445791 folder",
            r"caf\xc3\xa9 0644 0:5 5.000000007 file of 5 digested",
            "blk 0640 0:5 -2.500000000 block 250:70000",
            r"l 0777 0:5 0.000000000 link to tar get\n#\\\xff*=$",
            "d ir 0755 0:5 -5.000000000 folder",
            "d ir/in 0644 0:5 1.000000000 file of 0",
            "late 0644 0:5 1.000000000 file of 0",
        ]
    );
}

#[test]
fn a_manifest_as_bsdtar_writes_it_is_read() {
    let text = "#mtree\n\
        . gname=root uname=root time=1795610756.883445791 mode=755 gid=0 uid=0 inode=10062102 resdevice=native,254,0 type=dir\n\
        ./n\\012\\075 nlink=2 uname=root time=3.7528969 mode=644 gid=0 uid=0 type=file size=5 cksum=1 md5digest=00 \
        sha256digest=850f7dc43910ff890f8879c0ed26fe697c93a067ad93a7d50f466a7028a9bf4e\n\
        ./null time=0.0 mode=644 gid=0 uid=0 type=char device=native,1,3\n\
        ./d\\040ir time=0.0 mode=755 gid=0 uid=0 type=dir\n\
        ./d\\040ir/in time=0.0 mode=644 gid=0 uid=0 type=socket\n\
        ./e time=0.0 mode=644 gid=0 uid=0 type=fifo\n";
    assert_eq!(
        shown(text),
        [
            " 0755 0:0 1795610756.883445791 folder",
            r"n\n= 0644 0:0 3.007528969 file of 5 digested",
            "null 0644 0:0 0.000000000 char 1:3",
            "d ir 0755 0:0 0.000000000 folder",
            "d ir/in 0644 0:0 0.000000000 socket",
            "e 0644 0:0 0.000000000 fifo",
        ]
    );
}

#[test]
fn whole_paths_lead_relative_names_into_their_folder() {
    // mtree(8): "The current directory path used by relative path names will be updated appropriately."
    let text = format!(
        "{SET}/set time=0.0 size=1\n/srv/studio type=dir\nin-studio\n./srv/file\nbeside-file\n..\nat-root\n"
    );
    let names: Vec<String> = read_all(&text)
        .unwrap()
        .iter()
        .map(|entry| entry.path.escape_ascii().to_string())
        .collect();
    assert_eq!(
        names,
        [
            "srv/studio",
            "srv/studio/in-studio",
            "srv/file",
            "srv/beside-file",
            "at-root"
        ]
    );
}

#[test]
fn what_is_set_can_be_unset_and_an_entry_overrides_it_for_itself() {
    let text =
        format!("{SET}/set time=0.0 size=1\na uid=7\nb\n/unset uid nlink\nc uid=8 # uid=9\n");
    let uids: Vec<u32> = read_all(&text)
        .unwrap()
        .iter()
        .map(|entry| entry.uid)
        .collect();
    assert_eq!(uids, [7, 0, 8]);
    refused(&format!("{text}d\n"), 7, "`d` has no `uid=`");
    refused(
        &format!("{text}/unset all\nd uid=1\n"),
        8,
        "`d` has no `type=`",
    );
}

#[test]
fn values_that_are_none_are_refused_with_their_line() {
    for (word, words) in [
        ("type=door", "expected a type"),
        ("mode=u=rwx", "a mode in octal"),
        ("mode=0100644", "a mode in octal"),
        ("uid=-1", "a number of a user"),
        ("gid=4294967296", "a number of a group"),
        ("time=1.1000000000", "a time in seconds"),
        ("time=1.", "a time in seconds"),
        ("time=9223372036854775808.0", "a time in seconds"),
        ("size=0x10", "a size in bytes"),
        ("link=\\", "a line after one that ends in a backslash"),
        ("link=\\q", "a link's target"),
        ("link=a\\000", "a link's target"),
        ("device=freebsd,1,2", "a device such as"),
        ("device=native,1", "a device such as"),
        ("sha256=ba78", "64 hexadecimal digits"),
    ] {
        refused(&format!("{SET}\nx {word}\n"), 3, words);
        if word != "link=\\" {
            refused(&format!("/set {word}\n"), 1, words);
        }
    }
}

#[test]
fn names_that_lead_out_of_the_tree_are_refused() {
    let set = format!("{SET}/set time=0.0 size=1\n");
    for name in [
        "a/../../etc",
        "../x",
        "\\056\\056",
        "a\\057b",
        "a\\000",
        "\\056/..",
        "a/\\056\\056/b",
    ] {
        refused(
            &format!("{set}{name}\n"),
            3,
            "expected a name within a folder",
        );
    }
    refused(
        &format!("{set}..\n..\n"),
        4,
        "no `..` after the root was left",
    );
    refused(
        &format!("{set}..\nx\n"),
        4,
        "no relative name after the root was left",
    );
    refused(&format!("{set}.\n"), 3, "the root to be a folder");
    refused(&format!("{set}.. x\n"), 3, "nothing after `..`");
}

#[test]
fn a_file_without_entries_is_no_manifest() {
    for text in [
        "",
        "#mtree\n",
        "#mtree\n# hayloft mani\n",
        "/set type=file\n\n",
    ] {
        let error = read_all(text).unwrap_err().to_string();
        assert!(error.contains("no file or folder at all"), "{error}");
    }
}

#[test]
fn a_last_line_without_its_newline_may_be_cut_short() {
    refused(
        &format!("{SET}x time=0.0 size=12"),
        2,
        "a newline at the end",
    );
}

#[test]
fn nothing_may_follow_the_end_of_a_manifest_of_hayloft() {
    let own = "#mtree\n# hayloft manifest 1\n. type=dir mode=0755 uid=0 gid=0 time=0.0\n";
    // the digest is sha256sum's of the three lines
    let end = "# end: 1 entries, sha256 of the lines above 5f0b\n";
    let digest = <sha2::Sha256 as sha2::Digest>::digest(own);
    let digest = super::Digest(digest.into());
    let end = end.replace("5f0b", &digest.to_string());
    assert_eq!(read_all(&format!("{own}{end}")).unwrap().len(), 1);
    refused(
        &format!("{own}{end}{end}"),
        5,
        "nothing after the line `# end",
    );
    refused(own, 3, "the manifest is cut short");
    refused(
        &format!("{own}{}", end.trim_end()),
        4,
        "the manifest is cut short",
    );
    refused(
        &format!("{own}{}", end.replace("end: 1", "end: 2")),
        4,
        "should have 2 entries and has 1",
    );
    refused(
        &format!("{}{end}", own.replace("0755", "0700")),
        4,
        "the manifest is damaged",
    );
}

#[test]
fn a_manifest_of_another_program_does_not_pass_for_one_of_hayloft() {
    let text = "#mtree\n. type=dir mode=0755 uid=0 gid=0 time=0.0\n";
    let error = read(text.as_bytes())
        .ours_only()
        .next()
        .unwrap()
        .unwrap_err();
    assert_eq!(
        error.to_string(),
        "line 2: this is no manifest that hayloft wrote"
    );
}
