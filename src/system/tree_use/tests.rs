//! Measured against GNU du and GNU find on real hard-linked trees.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::process::Command;

use super::*;
use crate::jobs::Size;
use crate::record::GenerationName;

const NIGHTS: [&str; 3] = ["20261123T023000Z", "20261124T023000Z", "20261125T023000Z"];

fn name(text: &str) -> GenerationName {
    GenerationName::parse(text).expect("a generation's name")
}

/// Three nights of glaze recipes: most files linked to the night before, some new, a link, an odd name,
/// and what else lies in a job's folder.
fn hard_linked_tree() -> tempfile::TempDir {
    let job = tempfile::tempdir().expect("a scratch folder");
    for (night, before) in NIGHTS.iter().zip([None, Some(NIGHTS[0]), Some(NIGHTS[1])]) {
        let folder = job.path().join(night);
        fs::create_dir_all(folder.join("glazes/old")).expect("folders");
        for number in 0..40 {
            let file = format!("glazes/{number}.txt");
            match before {
                Some(before) if number % 7 != 0 => {
                    fs::hard_link(job.path().join(before).join(&file), folder.join(&file))
                }
                _ => fs::write(folder.join(&file), vec![b'x'; number * 777]),
            }
            .expect("a file");
        }
        let twin = folder.join("glazes/old/twin");
        fs::hard_link(folder.join("glazes/14.txt"), twin).expect("a second name");
        std::os::unix::fs::symlink("/etc", folder.join("link")).expect("a link");
        let odd = OsStr::from_bytes(b"caf\xe9\nnew line");
        fs::write(folder.join(odd), b"odd").expect("a file of an odd name");
        fs::write(job.path().join(format!("{night}.mtree")), vec![0; 9000]).expect("a manifest");
    }
    fs::create_dir(job.path().join("20261126T023000Z.partial")).expect("a leftover");
    let linked = job.path().join("20261126T023000Z.partial/7.txt");
    fs::hard_link(job.path().join(NIGHTS[0]).join("glazes/7.txt"), linked).expect("a link");
    fs::write(job.path().join("catalogue.jsonl"), vec![b'{'; 5000]).expect("a catalogue");
    job
}

fn du(folders: &[&Path]) -> u64 {
    let output = Command::new("du")
        .args(["--summarize", "--total", "--block-size=1", "--"])
        .args(folders)
        .output()
        .expect("du, of coreutils");
    assert!(output.status.success(), "{output:?}");
    let text = String::from_utf8(output.stdout).expect("sizes");
    let total = text.lines().last().and_then(|line| line.split('\t').next());
    total.expect("a total").parse().expect("a number")
}

fn measured_by_find(folder: &Path) -> TreeUse {
    let output = Command::new("find")
        .arg(folder)
        .args(["-xdev", "-printf", FIND_FORMAT])
        .output()
        .expect("find, of findutils");
    assert!(output.status.success(), "{output:?}");
    from_find_output(&output.stdout)
}

#[test]
fn the_whole_folder_takes_what_du_says_to_the_byte() {
    let job = hard_linked_tree();
    let measured = measure(job.path()).expect("a measure");
    assert_eq!(measured.space.total(), Size(du(&[job.path()])));
    assert_eq!(measured.notes, Vec::<String>::new());
}

#[test]
fn what_one_generation_takes_alone_is_what_its_removal_gives_back() {
    for night in NIGHTS {
        let job = hard_linked_tree();
        let alone = measure(job.path())
            .expect("a measure")
            .space
            .alone(name(night));
        let before = du(&[job.path()]);
        fs::remove_dir_all(job.path().join(night)).expect("removed");
        fs::remove_file(job.path().join(format!("{night}.mtree"))).expect("removed");
        assert_eq!(before - du(&[job.path()]), alone.bytes(), "{night}");
    }
}

#[test]
fn every_set_of_generations_takes_what_du_says_of_them_together() {
    let job = hard_linked_tree();
    let space = measure(job.path()).expect("a measure").space;
    for set in [vec![0], vec![1], vec![0, 1], vec![0, 2], vec![1, 2]] {
        let mut paths = Vec::new();
        for index in &set {
            paths.push(job.path().join(NIGHTS[*index]));
            paths.push(job.path().join(format!("{}.mtree", NIGHTS[*index])));
        }
        // The leftover shares a file with the first night, and is there in any case.
        paths.push(job.path().join("20261126T023000Z.partial"));
        paths.push(job.path().join("catalogue.jsonl"));
        let together = du(&paths
            .iter()
            .map(std::path::PathBuf::as_path)
            .collect::<Vec<_>>());
        let own = du(&[job.path()]) - {
            let all: Vec<_> = fs::read_dir(job.path())
                .expect("a folder")
                .map(|entry| entry.expect("an entry").path())
                .collect();
            du(&all
                .iter()
                .map(std::path::PathBuf::as_path)
                .collect::<Vec<_>>())
        };
        let kept: BTreeSet<_> = set.iter().map(|index| name(NIGHTS[*index])).collect();
        assert_eq!(space.use_of(&kept), Size(together + own), "{set:?}");
    }
}

#[test]
fn the_list_that_find_prints_gives_the_same_map_as_the_walk() {
    let job = hard_linked_tree();
    assert_eq!(
        measured_by_find(job.path()),
        measure(job.path()).expect("a measure")
    );
}

#[test]
fn a_list_that_was_cut_off_is_said_to_be_incomplete() {
    let job = hard_linked_tree();
    let whole = Command::new("find")
        .arg(job.path())
        .args(["-printf", FIND_FORMAT])
        .output()
        .expect("find, of findutils")
        .stdout;
    for cut in [0, 1, 30, whole.len() - 1] {
        let notes = from_find_output(&whole[..cut]).notes;
        let last = notes.last().map(String::as_str);
        assert_eq!(
            last,
            Some("find ended early: the use is not complete"),
            "cut at {cut}"
        );
    }
}

#[test]
fn a_folder_on_another_file_system_is_noted_and_not_counted() {
    let lines =
        b"7 1 2 8 d \x007 2 1 8 f 20261125T023000Z/a b\x009 2 9 800 d 20261125T023000Z/mnt\0";
    let measured = from_find_output(lines);
    assert_eq!(measured.space.total(), Size(16 * 512));
    assert_eq!(measured.space.alone(name(NIGHTS[2])), Size(8 * 512));
    let words = "`20261125T023000Z/mnt`: another file system is mounted here; not counted";
    assert_eq!(measured.notes, [words]);
}

#[test]
fn an_absent_folder_is_an_error_and_not_an_empty_measure() {
    let job = tempfile::tempdir().expect("a scratch folder");
    let error = measure(&job.path().join("absent")).expect_err("nothing is there");
    assert_eq!(error.kind(), std::io::ErrorKind::NotFound);
}

#[test]
fn a_folder_whose_path_is_too_long_to_be_opened_is_noted_and_the_rest_counts() {
    let job = hard_linked_tree();
    let before = measure(job.path())
        .expect("a measure")
        .space
        .total()
        .bytes();
    let mode = rustix::fs::Mode::RWXU;
    let flags = rustix::fs::OFlags::DIRECTORY;
    let mut folder = rustix::fs::open(job.path(), flags, mode).expect("the folder");
    let long = "x".repeat(250);
    // 20 names of 250 bytes pass the 4096 bytes of PATH_MAX (limits.h) at the 17th.
    for _ in 0..20 {
        rustix::fs::mkdirat(&folder, &long, mode).expect("a folder");
        folder = rustix::fs::openat(&folder, &long, flags, mode).expect("the folder");
    }
    let measured = measure(job.path()).expect("a measure");
    assert!(measured.space.total().bytes() > before);
    assert_eq!(measured.notes.len(), 1, "{:?}", measured.notes);
    assert!(
        measured.notes[0].contains("not counted: File name too long"),
        "{:?}",
        measured.notes
    );
}

#[test]
fn a_walk_stays_on_its_file_system_as_du_does_when_told_to() {
    use std::os::unix::fs::MetadataExt;
    let device = |path| fs::metadata(path).map(|meta| meta.dev()).ok();
    let (outer, inner) = (device("/dev"), device("/dev/pts"));
    if outer.is_none() || inner.is_none() || outer == inner {
        let why = "skipped: nothing is mounted at `/dev/pts`";
        assert!(std::env::var_os("CI").is_none(), "{why}");
        eprintln!("{why}");
        return;
    }
    let measured = measure(Path::new("/dev")).expect("a measure");
    let output = Command::new("du")
        .args(["--summarize", "--one-file-system", "--block-size=1", "/dev"])
        .output()
        .expect("du, of coreutils");
    let text = String::from_utf8(output.stdout).expect("a size");
    let size = text.split('\t').next().and_then(|size| size.parse().ok());
    assert_eq!(Some(measured.space.total().bytes()), size);
    let words = "`/dev/pts`: another file system is mounted here; not counted".to_owned();
    assert!(measured.notes.contains(&words), "{:?}", measured.notes);
}
