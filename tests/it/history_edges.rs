//! What a history does at the edges of its fast way: hard links made later, stores by mmap(2), very many folders.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

use crate::world::{FileSystem, World, ok};

/// Longer than a time must be past to be taken for settled.
const SETTLES: Duration = Duration::from_secs(4);

fn orders(world: &World) {
    world.job(
        "orders",
        "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n",
    );
}

/// Runs the job; gives where the source lies in the new generation.
fn night(world: &World, day: u8) -> PathBuf {
    let clock = format!("2026-11-{day:02}T02:30:00Z");
    world.run_json(&["--clock", &clock, "run", "orders"], 0);
    let newest = world.generations("orders").pop().unwrap();
    let below = world.source().strip_prefix("/").unwrap().to_owned();
    world.copies("orders").join(newest).join(below)
}

fn inode(file: &Path) -> u64 {
    fs::metadata(file).unwrap().ino()
}

#[test]
fn a_name_that_a_file_gets_in_another_folder_later_is_a_name_of_one_file_in_the_copy_too() {
    for file_system in [FileSystem::Btrfs, FileSystem::Ext4] {
        let Some(world) = World::with_drive(file_system, 330) else {
            return;
        };
        orders(&world);
        world.write_source("glazes/celadon.txt", "ash, feldspar and a little iron");
        world.write_source("kiln/log.txt", "cone 9");
        sleep(SETTLES);
        let first = night(&world, 1);
        night(&world, 2);
        // its inode changes, and nothing in its own folder does
        fs::hard_link(
            world.source().join("glazes/celadon.txt"),
            world.source().join("kiln/celadon.txt"),
        )
        .unwrap();
        for day in [3, 4] {
            let copy = night(&world, day);
            let (one, other) = (
                inode(&copy.join("glazes/celadon.txt")),
                inode(&copy.join("kiln/celadon.txt")),
            );
            assert_eq!(one, other, "{file_system:?}, night {day}");
            assert_eq!(
                fs::metadata(first.join("glazes/celadon.txt"))
                    .unwrap()
                    .len(),
                31
            );
        }
    }
}

/// Stores a letter at the begin of a mapped file for each line that it reads (mmap(2), `MAP_SHARED`), and says so.
const STORES: &str = "
import mmap, sys
with open(sys.argv[1], 'r+b') as file:
    mapped = mmap.mmap(file.fileno(), 0)
    for line in sys.stdin:
        mapped[0:1] = line[0:1].encode()
        print('stored', flush=True)
";

#[test]
fn what_is_stored_by_mmap_into_a_page_that_waits_to_be_written_is_copied_the_next_night() {
    let Some(world) = World::new(100) else { return };
    orders(&world);
    world.write_source("orders.db", "-".repeat(8192));
    let file = world.source().join("orders.db");
    let mut storing = Command::new("python3")
        .args(["-c", STORES])
        .arg(&file)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = storing.stdin.take().unwrap();
    let mut said = BufReader::new(storing.stdout.take().unwrap());
    let mut store = |letter: &str| {
        writeln!(lines, "{letter}").unwrap();
        said.read_line(&mut String::new()).unwrap();
    };
    store("a");
    // settled by its time, while the page waits to be written
    sleep(SETTLES);
    let copy = night(&world, 1);
    assert_eq!(fs::read(copy.join("orders.db")).unwrap()[0], b'a');
    store("b");
    let copy = night(&world, 2);
    assert_eq!(fs::read(copy.join("orders.db")).unwrap()[0], b'b');
    drop(lines);
    storing.wait().unwrap();
}

#[test]
fn a_folder_with_more_folders_than_files_may_be_open_is_copied() {
    let Some(world) = World::new(100) else { return };
    orders(&world);
    for number in 0..1500 {
        world.write_source(&format!("{number}/order.txt"), format!("{number}"));
    }
    for day in [1, 2] {
        let clock = format!("2026-11-{day:02}T02:30:00Z");
        let run = world.hayloft(&["--clock", &clock, "run", "orders"]);
        // the usual limit is 1024, and a program may ask for more
        ok(Command::new("prlimit")
            .arg("--nofile=200:4096")
            .arg(run.get_program())
            .args(run.get_args()));
    }
    let names = world.generations("orders");
    let copy = |name: &String| {
        let below = world.source().strip_prefix("/").unwrap().to_owned();
        world.copies("orders").join(name).join(below)
    };
    for number in 0..1500 {
        let file = |name| copy(name).join(format!("{number}/order.txt"));
        assert_eq!(inode(&file(&names[0])), inode(&file(&names[1])));
    }
}
