//! A drive with XFS, which shows each ACL a second time as an attribute: what is copied there and brought back.

use std::process::Command;

use crate::kinds_trees::{Allowing, assert_same, make_tricky, within};
use crate::world::{FileSystem, World, ok};

#[test]
fn what_was_copied_to_xfs_comes_back_with_its_acls_and_nothing_else() {
    let Some(world) = World::with_drive(FileSystem::Xfs, 330) else {
        return;
    };
    // XFS holds link targets of at most 1024 bytes (xfs(5) is silent; XFS_SYMLINK_MAXLEN in the kernel)
    make_tricky(&world.source());
    std::fs::remove_file(world.source().join("link-long")).unwrap();
    for kind in ["history", "mirror"] {
        world.job(
            kind,
            &format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n"),
        );
        for night in 25..27 {
            let clock = format!("2026-11-{night}T02:30:00Z");
            let run = world.run_json(&["--clock", &clock, "run", kind], 0);
            let changes = &run["changes"];
            assert!(night == 25 || changes["new_bytes"] == 0, "{kind}: {run}");
        }
        let back = world.path(&format!("back-{kind}"));
        world.run(&["restore", kind, "--to", back.to_str().unwrap()], 0);
        assert_same(
            &world.source(),
            &within(&back, &world.source()),
            Allowing::Nothing,
        );
    }
    let unshared = ok(Command::new("find")
        .arg(world.copies("history"))
        .args(["-type", "f", "-links", "1", "-path", "*Z/*"]));
    assert_eq!(String::from_utf8_lossy(&unshared.stdout), "");
}
