//! The whole text of three reports.

use super::super::safe_text::width;
use super::super::sample_runs::{failed, good, held_back, lisbon};
use super::*;

#[test]
fn a_good_run_is_told_verdict_first() {
    assert_eq!(
        run_report_text(&good(), &lisbon()),
        "\
studio-files on kiln went well: 1.2 GB new in 4 min 10 s.

What ran
  Job        studio-files, history
  About      Glaze recipes, orders and photographs
  Started    Wed 25 Nov 2026 02:30 WET, by its schedule
  Ended      Wed 25 Nov 02:34, took 4 min 10 s
  Steps      3, all well; the longest, 4 min 1 s: copy what changed
  Drive      shelf, as a folder of plain files
  Landed at  /mnt/shelf/hayloft/kiln/studio-files/20261125T023000Z
  All of it  48,211 files, 345 GB
  Next run   Thu 26 Nov 2026 02:30 WET
  More       `hayloft runs 20261125T023000Z-studio-files` on kiln

Kept 3 and retired 1
  - retired 20261110T023000Z: older than 2 weeks, another of its week is kept
  - kept 20261125T023000Z: the newest
  - kept 2, 23 Nov 2026 to 24 Nov 2026: one a day for 2 weeks

Drive shelf
  Space      2.7 TB free of 4 TB, 20 GB of it always left free
  This job   412 GB of a cap of 1.5 TB
"
    );
}

#[test]
fn a_failed_run_says_what_to_do_before_the_facts() {
    assert_eq!(
        run_report_text(&failed(), &lisbon()),
        "\
studio-files on kiln FAILED.

rsync ended with exit status 12. The connection to `barn.example` broke while
data was on its way.

What to do
  1. look whether `barn` is on and reachable: `ssh hay@barn.example true`
  2. then run the job again: `hayloft run studio-files`

What ran
  Job        studio-files, history
  About      Glaze recipes, orders and photographs
  Started    Wed 25 Nov 2026 02:30 WET, by its schedule
  Ended      Wed 25 Nov 02:31, took 1 min 5 s
  Drive      barn
  Meant for  hay@barn.example:/srv/hay/hayloft/kiln/studio-files
  Next run   Thu 26 Nov 2026 02:30 WET
  More       `hayloft runs 20261125T023000Z-studio-files` on kiln

Steps
  well   stop the order book, 0.4 s
  FAILED copy what changed, 1 min 3 s
         > exit status 12
         > rsync -aHAX --numeric-ids -e ssh /srv/studio/
           hay@barn.example:/srv/hay/hayloft/kiln/studio-files/20261125T023000
           Z.partial/
  well   start the order book, 1 s

The end of the log
  | 02:31:03 WARN   rsync: connection unexpectedly closed (1043 bytes received
  |   so far) [sender]
  | 02:31:03 WARN   rsync error: error in rsync protocol data stream (code 12)
"
    );
}

#[test]
fn a_run_that_was_held_back_says_so_and_what_would_have_changed() {
    assert_eq!(
        run_report_text(&held_back(), &lisbon()),
        "\
studio-files on kiln was HELD BACK: too much would change.

45 % of the files would vanish; the job allows 30 %.

What to do
  - see what would change: `hayloft run studio-files --dry-run`. The last good
    generation is untouched

What ran
  Job        studio-files, history
  About      Glaze recipes, orders and photographs
  Started    Wed 25 Nov 2026 02:30 WET, by its schedule
  Ended      Wed 25 Nov 02:30, took 40 s
  Drive      shelf
  Meant for  /mnt/shelf/hayloft/kiln/studio-files
  Next run   Thu 26 Nov 2026 02:30 WET
  More       `hayloft runs 20261125T023000Z-studio-files` on kiln

What would have changed
  New        0 files
  Changed    4 files
  Gone       21,695 files
  To copy    120 kB
  All of it  26,516 files, 180 GB

Steps
  well   see what would change, 39 s

Drive shelf
  Space      2.7 TB free of 4 TB, 20 GB of it always left free
  This job   412 GB of a cap of 1.5 TB
"
    );
}

#[test]
fn no_line_of_a_report_is_wider_than_78_columns_whatever_is_in_it() {
    let mut run = failed();
    run.reason = "陶器".repeat(2000) + "\x1b[2J";
    run.about = "line\n\nStatus: well\r\n".repeat(20);
    run.landing = format!("/srv/{}", "é".repeat(4000));
    run.log_tail = vec!["x".repeat(10_000), "\u{202e}evil".to_owned()];
    let text = run_in_full_text(&run, &lisbon());
    for line in text.lines() {
        assert!(width(line) <= COLUMNS, "{line}");
        assert!(!line.contains(['\x1b', '\u{202e}', '\r']), "{line}");
    }
    assert!(!text.contains("\nStatus: well"));
}

#[test]
fn a_run_in_full_shows_the_commands_of_every_step() {
    let text = run_in_full_text(&good(), &lisbon());
    assert!(
        text.contains("\n         > systemctl stop orders\n"),
        "{text}"
    );
    assert!(text.contains("\n  - kept 20261123T023000Z: one a day for 2 weeks\n"));
    assert!(!run_report_text(&good(), &lisbon()).contains("systemctl stop"));
}

#[test]
fn a_report_says_the_reason_once() {
    let mut run = failed();
    run.reason = "`sh` ended with exit status 3".to_owned();
    run.advice.clear();
    run.steps[1].status.clone_from(&run.reason);
    run.log_tail = vec![
        format!("2026-11-25T02:30:00Z  INFO run {} of job `x`", run.id),
        "2026-11-25T02:30:00Z  WARN   it does not answer".to_owned(),
        format!("2026-11-25T02:30:00Z ERROR pre step: {}", run.reason),
        format!("2026-11-25T02:30:00Z  INFO ended: failed: {}", run.reason),
    ];
    let text = run_report_text(&run, &lisbon());
    assert_eq!(text.matches("exit status 3").count(), 1, "{text}");
    assert!(
        text.ends_with("The end of the log\n  | 02:30:00 WARN   it does not answer\n"),
        "{text}"
    );
    assert!(
        text.contains("What to do\n  - mend what the failed step"),
        "{text}"
    );
    run.log_tail.remove(1);
    assert!(!run_report_text(&run, &lisbon()).contains("The end of the log"));
}
