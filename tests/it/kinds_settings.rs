//! What an export of settings holds, and what of it lies on the drive in the clear.

use std::fs;
use std::os::unix::fs::PermissionsExt;

use crate::debian_root::DebianRoot;
use crate::settings_server::{SECRETS, hayloft_in, settings_job, settled_server};
use crate::world::World;

/// The inventory of the only generation.
fn inventory(world: &World) -> String {
    let names = world.entries("server");
    let mut names = names
        .iter()
        .filter(|name| name.ends_with("Z.inventory.txt"));
    let name = names.next().unwrap();
    assert_eq!(names.next(), None);
    fs::read_to_string(world.copies("server").join(name)).unwrap()
}

#[test]
fn the_inventory_tells_what_the_servers_own_tools_tell_and_nothing_secret() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = settled_server() else {
        return;
    };
    settings_job(&world);
    hayloft_in(&server, &world, &["run", "server", "--dry-run"], 0);
    assert!(world.entries("server").is_empty());
    let shown = hayloft_in(&server, &world, &["run", "server"], 0);
    assert!(
        shown.out.contains("server on kiln went well"),
        "{}",
        shown.out
    );
    assert!(!shown.out.contains("Worth knowing"), "{}", shown.out);
    let text = inventory(&world);
    for (question, begin) in [
        (
            "getent passwd | sed 's/^\\([^:]*\\):[^:]*:\\([^:]*\\):.*/\\1: \\2, /'",
            "  ",
        ),
        (
            "getent group | sed 's/^\\([^:]*\\):[^:]*:\\([^:]*\\):.*/\\1 \\2/'",
            "  ",
        ),
        (
            "dpkg-query -W -f '${Package} ${Version}\\n' $(apt-mark showmanual)",
            "  ",
        ),
        (
            "systemctl list-unit-files --no-legend --state enabled | cut -d' ' -f1",
            "  ",
        ),
        (
            "ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub",
            "  ssh_host_ed25519_key: ",
        ),
    ] {
        let told = server.sh(question);
        assert!(told.lines().count() > 0, "{question}");
        for line in told.lines() {
            assert!(text.contains(&format!("\n{begin}{line}")), "{line}\n{text}");
        }
    }
    for line in [
        "host name     kiln",
        "time zone     Europe/Lisbon",
        "starts into   multi-user.target",
        "  //shed/plans at /mnt/plans, cifs",
        "  deb http://***@deb.studio.example/debian bookworm main (off)",
        "  @daily as orders (/etc/cron.d/orders)",
        "  30 2 * * * as ines (/var/spool/cron/crontabs/ines)",
        "  orders@kiln.service",
        "  tree ",
        ", held",
    ] {
        assert!(text.contains(line), "{line}\n{text}");
    }
    nothing_secret_is_in_the_clear(&world, &server);
}

/// Neither on the drive, also where nothing is listed any more, nor in the record and the logs.
fn nothing_secret_is_in_the_clear(world: &World, server: &DebianRoot) {
    // what was planted is there to be found
    let hidden = server.sh(
        "cat /etc/shadow /etc/ssh/ssh_host_*_key /etc/fstab /etc/apt/*/* /var/spool/cron/*/* \
        /etc/NetworkManager/*/* /etc/wireguard/* /etc/kiln/open.conf /etc/kiln/shut/list 2>&-",
    );
    for secret in SECRETS {
        assert!(hidden.contains(secret), "{secret}");
    }
    let private = server.sh("sed -n 2p /etc/ssh/ssh_host_ed25519_key");
    world.unmount(&[]);
    let mut places = vec![fs::read(world.path("shelf.img")).unwrap()];
    let mut folders = vec![world.state()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                places.push(fs::read(path).unwrap());
            }
        }
    }
    assert!(places.len() > 3);
    for secret in SECRETS.iter().copied().chain([private.trim()]) {
        for place in &places {
            let found = place
                .windows(secret.len())
                .any(|some| some == secret.as_bytes());
            assert!(!found, "{secret}");
        }
    }
    world.mount();
}

#[test]
fn a_program_that_fails_is_told_and_keeps_nothing_else_out() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = settled_server() else {
        return;
    };
    settings_job(&world);
    let lvm = server.path("/usr/sbin/lvm");
    fs::write(&lvm, "#!/bin/sh\necho 'no locking' >&2\nexit 5\n").unwrap();
    fs::set_permissions(&lvm, fs::Permissions::from_mode(0o755)).unwrap();
    let first = ["--clock", "2026-11-25T02:30:00Z", "run", "server"];
    let shown = hayloft_in(&server, &world, &first, 0);
    let note = "`lvm` ended with exit status 5, saying `no locking`";
    assert!(
        shown.out.replace("\n    ", " ").contains(note),
        "{}",
        shown.out
    );
    let text = inventory(&world);
    assert!(text.contains("disks/lvm.json") && text.contains("packages/versions.txt"));
    assert!(text.contains("\n  mdadm\n"), "not installed here:\n{text}");
    retired_with_its_inventory(&world, &server);
}

fn retired_with_its_inventory(world: &World, server: &DebianRoot) {
    fs::remove_file(server.path("/usr/sbin/lvm")).unwrap();
    let job = fs::read_to_string(world.path("config/jobs/server.toml")).unwrap();
    let keep = "\n[[keep]]\nevery = \"1 day\"\nfor = \"1 day\"\n";
    world.job("server", &format!("{job}{keep}"));
    let second = ["--clock", "2026-11-29T02:30:00Z", "run", "server"];
    hayloft_in(server, world, &second, 0);
    let names = world.entries("server");
    assert!(
        names.iter().all(|name| !name.starts_with("20261125")),
        "{names:?}"
    );
    let ends = [
        ".contents.mtree.age",
        ".inventory.txt",
        ".mtree",
        ".tar.zst.age",
    ];
    assert_eq!(
        names[..4],
        ends.map(|end| format!("20261129T023000Z{end}")),
        "{names:?}"
    );
}
