//! How fast `hayloft verify` reads beside `cat`, and in how much memory; by hand, since it measures:
//! `cargo test --release --test it verify_speed -- --ignored --nocapture --test-threads 1`.

use std::fs;
use std::os::fd::AsFd;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use hayloft::prove::manifest::{Beside, Digest, Entry, EntryKind, Heading, Time, write_in};
use sha2::{Digest as _, Sha256};

use crate::verify_finds::job;
use crate::world::{World, ok};

const COPY: &str = "20261125T023000Z";

/// A copy of so many files of `size` bytes, 200 in a folder, with its manifest.
fn copy_of(world: &World, files: usize, size: usize) {
    world.job("studio-files", &job("history"));
    let folder = world.copies("studio-files");
    let copy = folder.join(COPY);
    fs::create_dir_all(&copy).unwrap();
    let time = Time {
        seconds: 1_795_573_800,
        nanos: 0,
    };
    let entry = |path: String, kind: EntryKind, mode: u32| Entry {
        path: path.into_bytes(),
        kind,
        mode,
        uid: 0,
        gid: 0,
        time,
    };
    let stamp = std::time::UNIX_EPOCH + Duration::from_secs(1_795_573_800);
    let held = fs::File::open(&folder).unwrap();
    let manifest = format!("{COPY}.mtree");
    let heading = Heading {
        title: "speed",
        file: &manifest,
        beside: Beside::Folder(COPY),
    };
    write_in(held.as_fd(), &heading, |writer| {
        writer.entry(&entry(String::new(), EntryKind::Folder, 0o755))?;
        let mut content = vec![b'x'; size];
        for number in 0..files {
            let name = format!("{:05}", number / 200);
            if number % 200 == 0 {
                fs::create_dir(copy.join(&name))?;
                writer.entry(&entry(name.clone(), EntryKind::Folder, 0o755))?;
            }
            content[..8].copy_from_slice(&number.to_be_bytes());
            let path = format!("{name}/{number}");
            let file = copy.join(&path);
            fs::write(&file, &content)?;
            fs::File::options()
                .write(true)
                .open(&file)?
                .set_modified(stamp)?;
            let kind = EntryKind::File {
                size: size as u64,
                digest: Some(Digest(Sha256::digest(&content).into())),
            };
            writer.entry(&entry(path, kind, 0o644))?;
        }
        Ok(())
    })
    .unwrap();
    for entry in fs::read_dir(&copy).unwrap() {
        fs::File::open(entry.unwrap().path())
            .unwrap()
            .set_modified(stamp)
            .unwrap();
    }
}

fn afresh(world: &World) {
    world.unmount(&[]);
    world.mount();
}

fn seconds_of(world: &World, script: &str) -> f64 {
    afresh(world);
    let begun = Instant::now();
    ok(Command::new("sh")
        .args(["-c", script, "sh"])
        .arg(world.copies("studio-files").join(COPY)));
    begun.elapsed().as_secs_f64()
}

/// Seconds, and the most memory that it took at once, in MiB (proc(5), `VmHWM`).
fn verify(world: &World) -> (f64, u64) {
    afresh(world);
    let begun = Instant::now();
    let mut child = world
        .hayloft(&["verify", "studio-files"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut most = 0;
    while child.try_wait().unwrap().is_none() {
        let text = fs::read_to_string(Path::new(&status)).unwrap_or_default();
        let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = line.and_then(|line| line.trim().split(' ').next()?.parse::<u64>().ok());
        most = kib.unwrap_or(0).max(most);
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(child.wait().unwrap().success());
    (begun.elapsed().as_secs_f64(), most / 1024)
}

fn measure(what: &str, files: usize, size: usize) {
    let megabytes = (files * size.next_multiple_of(4096)) as u64 * 13 / 10_000_000 + 300;
    let inodes = (files + 20_000).to_string();
    let mkfs = [
        "mkfs.ext4",
        "-q",
        "-F",
        "-b",
        "4096",
        "-I",
        "256",
        "-N",
        &inodes,
    ];
    let Some(world) = World::on(Command::new(mkfs[0]).args(&mkfs[1..]), megabytes) else {
        return;
    };
    copy_of(&world, files, size);
    let one = "find \"$1\" -type f -print0 | xargs -0 cat > /dev/null";
    let all = "find \"$1\" -type f -print0 | xargs -0 -n 100 -P \"$(nproc)\" cat > /dev/null";
    let mut rows: Vec<[f64; 4]> = (0..3)
        .map(|_| {
            let (seconds, memory) = verify(&world);
            let memory = f64::from(u32::try_from(memory).unwrap());
            [
                seconds,
                seconds_of(&world, one),
                seconds_of(&world, all),
                memory,
            ]
        })
        .collect();
    rows.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let [seconds, one, all, memory] = rows[1];
    println!(
        "{what}: verify {seconds:.2} s ({:.2} to {:.2}), cat on one core {one:.2} s, on all {all:.2} s; \
         of cat's rate {:.2} and {:.2}; {memory} MiB",
        rows[0][0],
        rows[2][0],
        one / seconds,
        all / seconds
    );
    assert!(memory <= 150.0, "{memory} MiB");
}

#[test]
#[ignore = "it measures"]
fn large_files() {
    measure("40 files of 25 MB", 40, 25_000_000);
}

#[test]
#[ignore = "it measures"]
fn small_files() {
    measure("100,000 files of 4 kB", 100_000, 4000);
}

#[test]
#[ignore = "it measures"]
fn a_million_files_in_bounded_memory() {
    measure("1,000,000 files of 100 bytes", 1_000_000, 100);
}
