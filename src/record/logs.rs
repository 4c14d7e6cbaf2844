//! The log of each run: `state_dir/logs/JOB/RUNID.log`, readable by its owner only.

use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rustix::fs::OFlags;

use super::GenerationName;
use crate::jobs::Name;

const MOST_LOGS_OF_A_JOB: usize = 200;
const KEPT_SECONDS: i64 = 365 * 86_400;
/// At most so much of a log's end is read, however long its lines are.
const MOST_TAIL_BYTES: u64 = 1 << 20;

pub fn path(state_dir: &Path, job: &Name, run: &str) -> PathBuf {
    folder(state_dir, job).join(format!("{run}.log"))
}

/// Open a run's log to write at its end, with mode 0600.
pub fn open(state_dir: &Path, job: &Name, run: &str) -> io::Result<File> {
    let mut builder = DirBuilder::new();
    builder
        .recursive(true)
        .mode(0o700)
        .create(folder(state_dir, job))?;
    OpenOptions::new()
        .create(true)
        .append(true)
        .mode(0o600)
        .custom_flags(OFlags::NOFOLLOW.bits().cast_signed())
        .open(path(state_dir, job, run))
}

/// Remove logs of a job that are older than a year or beyond its newest 200; how many.
///
/// The age is that of the run, by its id. A file that is not named as a log of ours is left alone.
pub fn prune(state_dir: &Path, job: &Name, now: Timestamp) -> io::Result<usize> {
    let folder = folder(state_dir, job);
    let entries = match fs::read_dir(&folder) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(0),
        entries => entries?,
    };
    let mut logs: Vec<(Timestamp, PathBuf)> = Vec::new();
    for entry in entries {
        let path = entry?.path();
        logs.extend(begun(&path).map(|begun| (begun, path)));
    }
    logs.sort_by(|a, b| b.cmp(a));
    let mut removed = 0;
    for (place, (begun, path)) in logs.iter().enumerate() {
        let old = now.as_second() - begun.as_second() > KEPT_SECONDS;
        if old || place >= MOST_LOGS_OF_A_JOB {
            fs::remove_file(path)?;
            removed += 1;
        }
    }
    Ok(removed)
}

/// The last `lines` lines of a log, oldest first; bytes that are no UTF-8 are shown as U+FFFD.
///
/// Reads at most the last MiB: lines before that are left out, and a line cut there begins with `…`.
pub fn tail(path: &Path, lines: usize) -> io::Result<Vec<String>> {
    let mut file = File::open(path)?;
    let length = file.seek(SeekFrom::End(0))?;
    let start = start_of_tail(&mut file, length, lines)?;
    file.seek(SeekFrom::Start(start.at))?;
    let mut text = Vec::new();
    file.take(length - start.at).read_to_end(&mut text)?;
    let text = text.strip_suffix(b"\n").unwrap_or(&text);
    if lines == 0 || length == 0 {
        return Ok(Vec::new());
    }
    let mut shown: Vec<String> = text
        .split(|byte| *byte == b'\n')
        .map(|line| String::from_utf8_lossy(line).into_owned())
        .collect();
    if start.within_line {
        shown[0].insert(0, '…');
    }
    Ok(shown)
}

struct TailStart {
    at: u64,
    within_line: bool,
}

/// Look backwards for the line end before the last `lines` lines.
fn start_of_tail(file: &mut File, length: u64, lines: usize) -> io::Result<TailStart> {
    const BLOCK: u64 = 1 << 16;
    let floor = length.saturating_sub(MOST_TAIL_BYTES);
    let mut ends = 0;
    let mut upper = length;
    let mut block = Vec::new();
    while upper > floor {
        let lower = upper.saturating_sub(BLOCK).max(floor);
        file.seek(SeekFrom::Start(lower))?;
        block.resize(usize::try_from(upper - lower).unwrap_or(0), 0);
        file.read_exact(&mut block)?;
        let ends_from_last = (lower..upper).rev().zip(block.iter().rev());
        for (at, byte) in ends_from_last {
            // The line end that closes the last line separates nothing.
            if *byte == b'\n' && at + 1 < length {
                ends += 1;
                if ends == lines {
                    return Ok(TailStart {
                        at: at + 1,
                        within_line: false,
                    });
                }
            }
        }
        upper = lower;
    }
    Ok(TailStart {
        at: floor,
        within_line: floor > 0,
    })
}

fn folder(state_dir: &Path, job: &Name) -> PathBuf {
    state_dir.join("logs").join(job.as_str())
}

/// When the run of a log was begun, by the id in its name.
fn begun(path: &Path) -> Option<Timestamp> {
    let id = path.file_name()?.to_str()?.strip_suffix(".log")?;
    let (time, _) = id.split_once('-')?;
    GenerationName::parse(time)
        .ok()
        .map(GenerationName::instant)
}

#[cfg(test)]
#[path = "logs_tests.rs"]
mod tests;
