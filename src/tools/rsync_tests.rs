//! rsync itself, with our arguments.

use super::*;
use crate::jobs::Name;
use crate::plan::Base;
use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::process::Command;

#[test]
fn a_second_try_into_the_same_folder_leaves_the_generation_that_is_shared_with_alone() {
    if Command::new("rsync").arg("--version").output().is_err() {
        assert!(std::env::var_os("CI").is_none(), "needs rsync");
        return eprintln!("skipped: needs rsync");
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("source/celadon.txt");
    fs::create_dir(folder.path().join("source")).unwrap();
    fs::write(&file, "ash glaze").unwrap();
    let landing = Landing {
        drive: Name::parse("shelf").unwrap(),
        base: Base::Local(folder.path().into()),
        folder: "copies".into(),
    };
    fs::create_dir(landing.path()).unwrap();
    let source = Source::Local(vec![folder.path().join("source")]);
    let what = What {
        source: &source,
        source_line: None,
        exclude: &[],
        hidden: &[],
    };
    let copy = |entry: &str, share_with: &[String]| {
        let argv = copy_sharing(what, &landing, entry, share_with);
        let mut command = Command::new(&argv.program);
        command.args(&argv.args).current_dir(landing.path());
        assert!(command.output().unwrap().status.success());
        let below = file.strip_prefix("/").unwrap();
        fs::metadata(landing.path().join(entry).join(below)).unwrap()
    };
    let mode = |mode| fs::set_permissions(&file, fs::Permissions::from_mode(mode)).unwrap();
    mode(0o644);
    let first = copy("first", &[]);
    let first_try = copy("second", &["first".to_owned()]);
    assert_eq!(first.ino(), first_try.ino());
    // between two tries of one copy
    mode(0o600);
    copy("second", &["first".to_owned()]);
    let below = file.strip_prefix("/").unwrap();
    let now = fs::metadata(landing.path().join("first").join(below)).unwrap();
    assert_eq!(now.mode() & 0o777, 0o644);
}
