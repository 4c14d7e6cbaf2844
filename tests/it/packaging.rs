//! `packaging/`: the try-out, the service's unit and the Debian package.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::{Duration, Instant};

use crate::world::{can_mount, ok, skip};

const PROGRAM: &str = env!("CARGO_BIN_EXE_hayloft");

fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn is_there(program: &str) -> bool {
    let found = Command::new(program).arg("--version").output().is_ok();
    if !found {
        skip(format!("`{program}` is not installed"));
    }
    found
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Runs the try-out with all it makes below `scratch`.
fn try_out(scratch: &Path, program: &Path) -> Output {
    Command::new(project().join("packaging/try"))
        .arg("--binary")
        .arg(program)
        .env("TMPDIR", scratch)
        .env_remove("HAYLOFT_BIN")
        .output()
        .unwrap()
}

#[track_caller]
fn assert_nothing_is_left(scratch: &Path) {
    let shown = scratch.to_str().unwrap();
    let mounts = fs::read_to_string("/proc/self/mounts").unwrap();
    assert!(!mounts.contains(shown), "{mounts}");
    let loops = text(
        &ok(Command::new("losetup").args(["--list", "--noheadings", "--output", "BACK-FILE"]))
            .stdout,
    );
    assert!(!loops.contains(shown), "{loops}");
    let left: Vec<_> = fs::read_dir(scratch).unwrap().collect();
    assert!(left.is_empty(), "{left:?}");
    let processes = text(&ok(Command::new("ps").args(["-eo", "args"])).stdout);
    assert!(
        !processes.contains(&format!("{shown}/hayloft-try")),
        "{processes}"
    );
}

#[test]
fn the_try_out_works_and_leaves_nothing_behind() {
    if !can_mount() {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let begun = Instant::now();
    let out = try_out(scratch.path(), Path::new(PROGRAM));
    let took = begun.elapsed();
    assert!(
        out.status.success(),
        "{}\n{}",
        text(&out.stdout),
        text(&out.stderr)
    );
    assert!(
        text(&out.stdout).contains("Subject: kiln: studio-files well"),
        "{}",
        text(&out.stdout)
    );
    assert_nothing_is_left(scratch.path());
    println!("the try-out took {:.1} s", took.as_secs_f64());
    assert!(took < Duration::from_secs(120), "{took:?}");
}

#[test]
fn the_try_out_fails_when_what_came_back_differs() {
    if !can_mount() {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let tools = tempfile::tempdir().unwrap();
    let program = tools.path().join("hayloft");
    let script = format!(
        "#!/bin/sh\n{PROGRAM} \"$@\" || exit\ncase \"$*\" in *'restore orders'*) \
         for last; do :; done; find \"$last\" -name open.csv -exec sh -c 'echo 1 >>\"$0\"' {{}} \\; ;; esac\n"
    );
    fs::write(&program, script).unwrap();
    fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).unwrap();
    let out = try_out(scratch.path(), &program);
    assert_eq!(out.status.code(), Some(1), "{}", text(&out.stdout));
    assert!(
        text(&out.stderr).contains("FAILED: srv/orders and "),
        "{}",
        text(&out.stderr)
    );
    assert_nothing_is_left(scratch.path());
}

#[test]
fn the_unit_is_one_that_systemd_takes() {
    if !is_there("systemd-analyze") {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let unit = fs::read_to_string(project().join("packaging/hayloft.service")).unwrap();
    let here = folder.path().join("hayloft.service");
    fs::write(&here, unit.replace("/usr/bin/hayloft", PROGRAM)).unwrap();
    let out = ok(Command::new("systemd-analyze")
        .args(["--man=no", "verify"])
        .arg(&here));
    assert_eq!(text(&out.stderr), "");
}

#[test]
fn the_unit_is_hardened_as_far_as_the_work_allows() {
    if !is_there("systemd-analyze") {
        return;
    }
    // systemd-analyze(1): 0 is no exposure, 10 the most; a service without any setting has 9.6.
    let unit = project().join("packaging/hayloft.service");
    let out = ok(Command::new("systemd-analyze")
        .args(["security", "--offline=true", "--no-pager"])
        .arg(unit));
    let shown = text(&out.stdout);
    let line = shown
        .lines()
        .find(|line| line.contains("Overall exposure level"))
        .unwrap();
    println!("{line}");
    let figure = line
        .split(": ")
        .nth(1)
        .and_then(|rest| rest.split(' ').next())
        .unwrap();
    assert!(figure.parse::<f64>().unwrap() <= 6.3, "{line}");
}

/// The package, built of the test's own program.
fn package(folder: &Path) -> Option<PathBuf> {
    if !is_there("dpkg-deb") || !is_there("dpkg-shlibdeps") {
        return None;
    }
    let mut build = Command::new(project().join("packaging/build-deb"));
    let out = ok(build.args(["--binary", PROGRAM, "--output"]).arg(folder));
    Some(PathBuf::from(text(&out.stdout).trim()))
}

#[test]
fn the_debian_package_has_no_error_and_runs() {
    let folder = tempfile::tempdir().unwrap();
    let Some(package) = package(folder.path()) else {
        return;
    };
    if is_there("lintian") {
        let out = Command::new("lintian")
            .args(["--allow-root", "--fail-on", "error,warning"])
            .arg(&package)
            .output()
            .unwrap();
        assert!(
            out.status.success(),
            "{}{}",
            text(&out.stdout),
            text(&out.stderr)
        );
    }
    let root = folder.path().join("root");
    ok(Command::new("dpkg-deb").arg("-x").arg(&package).arg(&root));
    let out = ok(Command::new(root.join("usr/bin/hayloft")).arg("--version"));
    assert_eq!(
        text(&out.stdout),
        format!("hayloft {}\n", env!("CARGO_PKG_VERSION"))
    );
    assert!(
        !root.join("etc").exists(),
        "the package ships nothing below /etc"
    );
    for file in [
        "lib/systemd/system/hayloft.service",
        "usr/share/man/man1/hayloft.1.gz",
        "usr/share/man/man1/hayloft-restore.1.gz",
        "usr/share/man/man5/hayloft.5.gz",
        "usr/share/bash-completion/completions/hayloft",
        "usr/share/zsh/vendor-completions/_hayloft",
        "usr/share/fish/vendor_completions.d/hayloft.fish",
        "usr/share/doc/hayloft/copyright",
        "usr/share/doc/hayloft/examples/jobs/studio-files.toml",
    ] {
        assert!(root.join(file).is_file(), "{file}");
    }
    installs_and_is_purged(&package, &folder.path().join("scratch"));
}

/// Runs dpkg on another root, maintainer scripts and all.
fn dpkg(root: &Path, arguments: &[&str]) {
    let mut dpkg = Command::new("dpkg");
    dpkg.arg("--root").arg(root);
    ok(dpkg
        .args(["--force-script-chrootless", "--force-depends"])
        .args(arguments));
}

fn installs_and_is_purged(package: &Path, root: &Path) {
    if !rustix::process::geteuid().is_root() {
        skip("needs root, to install into another root");
        return;
    }
    for folder in [
        "var/lib/dpkg/info",
        "var/lib/dpkg/updates",
        "var/lib/hayloft",
        "mnt/shelf/hayloft/kiln",
    ] {
        fs::create_dir_all(root.join(folder)).unwrap();
    }
    fs::write(root.join("var/lib/dpkg/status"), "").unwrap();
    let install = ["--install", package.to_str().unwrap()];
    let record = root.join("var/lib/hayloft/record.sqlite");
    let wanted = root.join("etc/systemd/system/multi-user.target.wants/hayloft.service");

    dpkg(root, &install);
    assert!(root.join("usr/bin/hayloft").is_file());
    assert!(!wanted.is_symlink(), "enabled without job files");
    dpkg(root, &["--purge", "hayloft"]);
    assert!(!root.join("etc/hayloft").exists() && !root.join("var/lib/hayloft").exists());

    for folder in ["etc/hayloft", "var/lib/hayloft"] {
        fs::create_dir_all(root.join(folder)).unwrap();
    }
    fs::write(root.join("etc/hayloft/server.toml"), "").unwrap();
    fs::write(&record, "").unwrap();
    dpkg(root, &install);
    assert!(
        wanted.is_symlink(),
        "there are job files, so the service is enabled"
    );
    dpkg(root, &["--remove", "hayloft"]);
    assert!(
        !root.join("usr/bin/hayloft").exists() && record.exists(),
        "removal keeps records"
    );
    dpkg(root, &install);
    assert!(wanted.is_symlink(), "enabled as before");
    dpkg(root, &["--purge", "hayloft"]);
    assert!(
        !record.exists() && !wanted.is_symlink(),
        "purging takes records"
    );
    assert!(
        root.join("mnt/shelf/hayloft/kiln").exists()
            && root.join("etc/hayloft/server.toml").exists()
    );
}
