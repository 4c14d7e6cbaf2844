//! The script beside the settings, on fresh Debian systems: what it does, what it leaves, and what it never shows.

use std::collections::BTreeSet;
use std::fs;
use std::io::Write as _;
use std::process::{Command, Stdio};

use hayloft::settings::APPLY;

use crate::debian_root::DebianRoot;
use crate::settings_server::{SECRETS, carry, hayloft_in, settled_server};
use crate::world::{World, ok, skip};

/// What must be alike after a rebuild, by the system's own tools.
const ASKED: [&str; 9] = [
    "getent passwd",
    "getent group",
    "getent shadow",
    "cat /etc/gshadow /etc/subuid /etc/subgid",
    "dpkg --get-selections",
    "apt-mark showmanual; apt-mark showhold",
    "systemctl list-unit-files --no-legend | grep -v network | grep -v barn; systemctl get-default; \
     find /etc/systemd -printf '%P %l %m %u\n' | grep -v -e network -e barn -e sockets.target | sort",
    "cd /var/spool/cron/crontabs; cat *; stat -c '%n %a %U %G' *",
    "cat /etc/hostname /etc/timezone; readlink /etc/localtime; stat -c '%n %a %U %G' /home/ines /var/lib/orders",
];

#[test]
fn a_fresh_debian_becomes_the_server_again_and_a_second_time_changes_nothing() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = settled_server() else {
        return;
    };
    let fresh = DebianRoot::fresh().unwrap();
    carry(&world, &server, &fresh);

    let before = fresh.state("/restore");
    let shown = fresh.sh("sh /restore/apply");
    assert_untouched(&fresh, &before);
    for words in [
        "would make account ines, number 1501",
        "would make group crontab",
        "packages",
        "would enable orders@kiln.service",
        "missing: /etc/glaze/recipes.conf",
        "of a package, changed by hand",
        "password=***",
    ] {
        assert!(shown.contains(words), "{words}:\n{shown}");
    }
    hides_secrets(&shown);

    let done = fresh.sh("sh /restore/apply --do");
    assert!(done.contains("0 failed"), "{done}");
    hides_secrets(&done);
    for question in ASKED {
        assert_eq!(
            fresh.sh(question),
            server.sh(question),
            "{question}\n{done}"
        );
    }

    for never in [
        "systemd/network/studio.network",
        "systemd/system/mnt-barn.mount",
        "wireguard",
    ] {
        assert!(!fresh.path(&format!("/etc/{never}")).exists(), "{never}");
    }
    assert!(
        done.contains("/etc/systemd/network/studio.network is missing"),
        "{done}"
    );
    assert!(
        done.contains("/etc/systemd/system/mnt-barn.mount is missing"),
        "{done}"
    );
    assert!(
        done.contains("systemd-networkd.service was enabled then: left"),
        "{done}"
    );
    assert_eq!(
        fresh
            .try_sh("systemctl is-enabled systemd-networkd")
            .out
            .trim(),
        "disabled"
    );

    let before = fresh.state("/restore");
    let again = fresh.sh("sh /restore/apply --do");
    assert!(again.contains("0 done, 0 failed"), "{again}");
    assert_untouched(&fresh, &before);
    assert!(fresh.sh("sh /restore/apply").contains("0 to do"));

    puts_back_what_is_named(&server, &fresh);
}

#[track_caller]
fn assert_untouched(fresh: &DebianRoot, before: &BTreeSet<String>) {
    let after = fresh.state("/restore");
    let changed: Vec<_> = before.symmetric_difference(&after).collect();
    assert!(changed.is_empty(), "{changed:#?}");
}

fn hides_secrets(shown: &str) {
    for secret in SECRETS {
        assert!(!shown.contains(secret), "{secret}:\n{shown}");
    }
}

fn puts_back_what_is_named(server: &DebianRoot, fresh: &DebianRoot) {
    fresh.sh(
        "mkdir /etc/glaze; echo 'cone = 6' >/etc/glaze/recipes.conf; echo other >/etc/glaze/list",
    );
    fresh.sh("chmod 644 /etc/glaze/list; echo new >/etc/glaze/new");
    let before = fresh.state("/restore");
    let shown = fresh.sh("sh /restore/apply --put /etc/glaze");
    assert_untouched(fresh, &before);
    assert!(shown.contains("+open to all"), "{shown}");
    assert!(!shown.contains("oak"), "others may not read it:\n{shown}");
    fresh.sh("sh /restore/apply --do --put /etc/glaze");
    let asked =
        "cat /etc/glaze/list /etc/glaze/recipes.conf; stat -c '%n %a %U %G' /etc/glaze/[lr]*";
    assert_eq!(fresh.sh(asked), server.sh(asked));
    assert_eq!(fresh.sh("cat /etc/glaze/new"), "new\n");
    let kept = fresh.sh("cat /var/backups/apply-*/etc/glaze/recipes.conf");
    assert_eq!(kept, "cone = 6\n");

    let before = fresh.state("/restore");
    for path in ["/etc/fstab", "/etc/systemd/network", "/etc/wireguard"] {
        let shown = fresh.sh(&format!("sh /restore/apply --do --put {path}"));
        assert!(
            shown.contains("is not put back") && shown.contains("0 done"),
            "{path}: {shown}"
        );
        hides_secrets(&shown);
    }
    assert_untouched(fresh, &before);
    fresh.sh("umask 022; mkdir -p /etc/kiln/shut; echo 'PrivateKey = mine' >/etc/kiln/open.conf; echo x >/etc/kiln/shut/list");
    let shown = fresh.sh("sh /restore/apply --put /etc/kiln");
    assert!(
        shown.contains("+Port = 1") && !shown.contains("mine"),
        "{shown}"
    );
    hides_secrets(&shown);
    let before = fresh.state("/restore");
    for (path, exit) in [
        ("/etc", 2),
        ("/", 2),
        ("/boot", 2),
        ("etc/glaze", 2),
        ("/etc/../etc/x", 2),
        ("/etc/shadow", 0),
    ] {
        let shown = fresh.try_sh(&format!("sh /restore/apply --do --put {path}"));
        assert_eq!(shown.exit, Some(exit), "{path}: {shown:?}");
    }
    assert_untouched(fresh, &before);
    // host keys only with their own word
    fresh.sh("sh /restore/apply --do --put /etc/ssh");
    assert!(!fresh.path("/etc/ssh/ssh_host_ed25519_key").exists());
    fresh.sh("sh /restore/apply --do --host-keys");
    let asked = "sha256sum /etc/ssh/ssh_host_*; stat -c '%n %a %U %G' /etc/ssh/ssh_host_*";
    assert_eq!(fresh.sh(asked), server.sh(asked));
}

#[test]
fn what_is_in_its_way_is_told_and_left_alone() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = settled_server() else {
        return;
    };
    let fresh = DebianRoot::fresh().unwrap();
    carry(&world, &server, &fresh);
    fresh.sh("groupadd -g 1600 weavers; groupadd -g 1501 marta; useradd -u 1501 -g marta -s /bin/sh marta");
    fresh.sh("useradd -u 3000 -s /bin/sh orders; groupadd -g 2500 studio");
    fresh.sh(
        "printf 'root:$y$j9T$other' | chpasswd -e; echo other >/etc/systemd/system/orders.service",
    );
    let accounts = fresh
        .sh("getent passwd root marta orders; getent shadow root; getent group weavers studio");
    let done = fresh.sh("sh /restore/apply --do accounts units sources");
    for words in [
        "group glaze is not made: its number 1600 belongs to weavers here",
        "account ines is not made: its number 1501 belongs to marta here",
        "account orders has number 3000 here, 150 then",
        "group studio has number 2500 here, 1500 then",
        "account apprentice is not made: its group glaze is not here",
        "account root is here with another password",
        "/etc/systemd/system/orders.service differs",
    ] {
        assert!(done.contains(words), "{words}:\n{done}");
    }
    hides_secrets(&done);
    assert_eq!(
        fresh
            .sh("getent passwd root marta orders; getent shadow root; getent group weavers studio"),
        accounts
    );
    assert_eq!(
        fresh.sh("cat /etc/systemd/system/orders.service"),
        "other\n"
    );
    keeps_what_works(&server, &fresh);

    fresh.sh("sed -i 's/^VERSION_CODENAME=.*/VERSION_CODENAME=sarge/' /usr/lib/os-release");
    let before = fresh.state("/restore");
    let refused = fresh.try_sh("sh /restore/apply --do");
    assert_eq!(refused.exit, Some(2), "{refused:?}");
    assert_untouched(&fresh, &before);
}

/// `--account` never shuts out who works here.
fn keeps_what_works(server: &DebianRoot, fresh: &DebianRoot) {
    let root = fresh.sh("getent shadow root");
    assert!(server.sh("getent shadow root").starts_with("root:*:"));
    let shown = fresh.sh("sh /restore/apply --do --account root");
    assert!(
        shown.contains("the password of root was locked or over then"),
        "{shown}"
    );
    assert_eq!(fresh.sh("getent shadow root"), root);

    fresh.sh("userdel marta; sh /restore/apply --do accounts");
    fresh.sh("usermod -c other -s /bin/sh ines; printf 'ines:$y$j9T$other' | chpasswd -e; mv /restore/files.tar /restore/whole.tar");
    // the same with a shell that is not here, and a password that ended long ago
    fresh.sh("cd /restore; tar xf whole.tar etc; sed -i '/^ines/s,/bin/bash,/usr/bin/fish,' etc/passwd; \
        sed -i '/^ines/s/:[0-9]*:$/:10000:/' etc/shadow; cp whole.tar files.tar; \
        tar --delete -f files.tar etc/passwd etc/shadow; tar --append -f files.tar etc/passwd etc/shadow");
    let shown = fresh.sh("sh /restore/apply --do --account ines");
    assert!(
        shown.contains("the shell /usr/bin/fish of ines is not installed here"),
        "{shown}"
    );
    assert!(
        fresh
            .sh("getent passwd ines")
            .ends_with(":Ines, the potter,,:/home/ines:/bin/sh\n")
    );
    assert!(
        fresh
            .sh("getent shadow ines")
            .starts_with("ines:$y$j9T$other:")
    );
    fresh.sh("mv /restore/whole.tar /restore/files.tar; sh /restore/apply --do --account ines");
    // the group has another number here
    for asked in [
        "getent passwd ines | cut -d: -f1-3,5-",
        "getent shadow ines",
    ] {
        assert_eq!(fresh.sh(asked), server.sh(asked));
    }
}

#[test]
fn lines_that_are_broken_are_told_and_the_others_done() {
    let Some(fresh) = DebianRoot::fresh() else {
        return;
    };
    fs::create_dir(fresh.path("restore")).unwrap();
    fs::write(fresh.path("restore/apply"), APPLY).unwrap();
    fresh.sh(BROKEN);
    for arguments in [
        "",
        "--do accounts units crontabs identity",
        "--do accounts units crontabs identity",
    ] {
        let shown = fresh.try_sh(&format!("sh /restore/apply --other-release {arguments}"));
        let said = format!("{}\n{}", shown.out, shown.errors);
        for file in ["passwd", "group", "shadow", "gshadow", "subuid", "subgid"] {
            assert!(
                said.contains(&format!("of /etc/{file} of then is broken: left")),
                "{file}: {said}"
            );
        }
        assert!(
            said.contains("== in short") && !said.contains("Illegal number"),
            "{said}"
        );
        assert!(said.contains("`--root=/tmp` is no unit"), "{said}");
        assert!(!said.contains("another account has some"), "{said}");
        assert!(!said.contains("FAILED"), "{said}");
    }
    let made = fresh.sh("getent passwd ines; getent group studio; cat /etc/subuid; stat -c %a /etc/subuid; cat /etc/hostname");
    assert_eq!(
        made,
        "ines:x:1501:1500::/home/ines:/bin/sh\nstudio:x:1500:\nines:200000:65536\n644\nkiln\n"
    );
}

/// Files of then with a broken line each before a whole one.
const BROKEN: &str = r"
cd /restore; mkdir -p etc var/spool/cron/crontabs units
printf 'odd\nodd:x:08:\nodd:x:9x:\n-x:x:1:\nstudio:x:1500:\n' >etc/group
printf 'odd\n*:!::*\nodd:!:::::\nstudio:!::\n' >etc/gshadow
printf 'odd\nodd:x:zwei:1500::/:/bin/sh\nodd:x:99999999999999999999:1500::/:/bin/sh\nines:x:1501:1500::/home/ines:/bin/sh\n' >etc/passwd
printf 'odd\nines:x\nines:!:soon:0:99999:7:::\n' >etc/shadow
printf 'ines:100000:65536:x\nines:1000oo:65536\nines::\nines:200000:65536\n' >etc/subuid
printf 'ines:0x10:65536\n:::\n' >etc/subgid
printf 'kiln\n' >etc/hostname; chmod 644 etc/hostname
printf '* * broken\n\0\n' >var/spool/cron/crontabs/ines
printf 'odd\n\n--root=/tmp enabled\n.. enabled\n* masked\n; enabled enabled\n' >units/files.txt
printf 'nowhere; at all\n' >units/default-target.txt
tar --create --file=files.tar etc var
rm -f /etc/subuid /etc/subgid
";

#[test]
fn read_me_first_leads_to_the_script_without_hayloft() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = settled_server() else {
        return;
    };
    ok(Command::new("age-keygen")
        .arg("-o")
        .arg(world.path("key.txt")));
    let public = ok(Command::new("age-keygen")
        .arg("-y")
        .arg(world.path("key.txt")));
    let public = String::from_utf8(public.stdout).unwrap();
    let public = public.trim();
    let job = format!(
        "kind = \"settings\"\ndrive = \"shelf\"\nencrypt = {{ recipients = [\"{public}\"] }}\n"
    );
    world.job("server", &job);
    hayloft_in(&server, &world, &["run", "server"], 0);
    let text = fs::read_to_string(world.drive().join("hayloft/READ-ME-FIRST.txt")).unwrap();
    let commands: Vec<&str> = text
        .lines()
        .filter_map(|line| line.strip_prefix("    "))
        .collect();

    let fresh = DebianRoot::fresh().unwrap();
    fresh.sh("apt-get update -qq; apt-get install -y -qq --no-install-recommends age zstd bash >/dev/null 2>&1");
    fs::create_dir(fresh.path("restore")).unwrap();
    fs::copy(world.path("key.txt"), fresh.path("restore/key.txt")).unwrap();
    let before = fresh.state("/restore");
    let script = format!("set -e -o pipefail\n{}\n", commands.join("\n"));
    let typed = ok(&mut fresh.command(&[&world.path("")], &["bash", "-c", &script]));
    let shown = String::from_utf8(typed.stdout).unwrap();
    assert!(shown.contains(": OK\n"), "its digest is right:\n{shown}");
    assert!(
        shown.contains("would make account ines, number 1501"),
        "{shown}"
    );
    assert!(
        !shown.contains("CAUTION"),
        "others can look into the folder:\n{shown}"
    );
    hides_secrets(&shown);
    let own = world.path("");
    let own = own.to_str().unwrap().trim_end_matches('/');
    let after = fresh.state("/restore");
    let touched: Vec<_> = before
        .symmetric_difference(&after)
        .filter(|line| !line.contains(own) && !line.starts_with("./tmp "))
        .collect();
    assert!(touched.is_empty(), "{touched:#?}");
    let glaze = "restore/server/files/etc/glaze/list";
    assert_eq!(
        fs::read_to_string(fresh.path(glaze)).unwrap(),
        "open to all\n"
    );
}

#[test]
fn shellcheck_finds_nothing_wrong_with_the_script() {
    let child = Command::new("shellcheck")
        .args(["--shell=sh", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn();
    let Ok(mut child) = child else {
        return skip("needs shellcheck");
    };
    child
        .stdin
        .take()
        .unwrap()
        .write_all(APPLY.as_bytes())
        .unwrap();
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}");
    for part in fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/src/settings/apply")).unwrap() {
        let text = fs::read_to_string(part.unwrap().path()).unwrap();
        assert!(APPLY.contains(&text) && text.lines().count() < 200);
    }
}
