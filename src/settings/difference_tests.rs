//! What differs between a server and what was kept of it.

use super::*;

fn kept(passwd: &str, mode: u32, list: &str) -> Kept {
    let file = |text: &str, mode| KeptFile {
        kind: FileKind::File {
            digest: sha2::Sha256::digest(text.as_bytes()).into(),
            content: Some(text.as_bytes().to_vec()),
        },
        mode,
        owner: "root".to_owned(),
        group: "root".to_owned(),
    };
    let mut kept = Kept::default();
    let mut add = |path: &str, text, mode| kept.files.insert(path.into(), file(text, mode));
    add("etc/passwd", passwd, 0o600);
    add("etc/glaze", list, mode);
    kept
}

use sha2::Digest as _;

#[test]
fn what_is_alike_is_not_told() {
    let one = kept("root:x:0:0::/root:/bin/sh\n", 0o644, "ash\n");
    assert!(difference(&one, &one.clone()).is_none());
}

#[test]
fn accounts_and_lines_of_open_files_are_told() {
    let then = kept(
        "ines:x:1501:1500::/home/ines:/bin/sh\nold:x:5:5::/:/\n",
        0o644,
        "ash\noak\n",
    );
    let now = kept(
        "ines:x:1501:1500::/home/ines:/bin/zsh\nnew:x:6:6::/:/\n",
        0o644,
        "ash\nelm\n",
    );
    let found = difference(&then, &now);
    let [accounts] = &found.parts[..] else {
        panic!("{found:?}")
    };
    let whats: Vec<_> = (accounts.changes.iter())
        .map(|change| {
            (
                change.name.as_str(),
                matches!(change.what, What::Changed { .. }),
            )
        })
        .collect();
    assert_eq!(whats, [("ines", true), ("new", false), ("old", false)]);
    let lines = found.files[0].lines.as_ref().unwrap();
    assert!(lines.contains("-oak\n+elm\n"), "{lines}");
}

#[test]
fn lines_of_what_others_may_not_read_are_never_told() {
    for modes in [(0o640, 0o644), (0o644, 0o640), (0o600, 0o600)] {
        let then = kept("", modes.0, "ash\n");
        let now = kept("", modes.1, "elm\n");
        let found = difference(&then, &now);
        assert_eq!(found.files.len(), 1);
        assert_eq!(found.files[0].lines, None);
    }
    for (folder, told) in [(0o755, true), (0o701, true), (0o710, false), (0o700, false)] {
        for is_then in [true, false] {
            let mut then = kept("", 0o644, "ash\n");
            let mut now = kept("", 0o644, "elm\n");
            let one = if is_then { &mut then } else { &mut now };
            let above = KeptFile {
                kind: FileKind::Folder,
                mode: folder,
                owner: "root".to_owned(),
                group: "root".to_owned(),
            };
            one.files.insert(b"etc".to_vec(), above);
            let found = difference(&then, &now);
            let file = found.files.iter().find(|file| file.path == "/etc/glaze");
            assert_eq!(file.unwrap().lines.is_some(), told, "{folder:o} {is_then}");
        }
    }
    let found = difference(
        &kept("", 0o644, "password=ash\n"),
        &kept("", 0o644, "password=elm\n"),
    );
    assert_eq!(found.files.len(), 1, "that it differs is told");
    assert_eq!(found.files[0].lines, None);
}
