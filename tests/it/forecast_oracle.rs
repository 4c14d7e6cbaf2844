//! The robust line against scipy.stats.theilslopes, on random series with ties and wild figures.

use std::fmt::Write as _;
use std::io::Write as _;
use std::process::{Command, Stdio};

use hayloft::keep::forecast::{Point, theil_sen};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

use crate::world::skip;

const SCRIPT: &str = "
import sys
from scipy import stats
for line in sys.stdin:
    xs, ys = ([float(v) for v in part.split()] for part in line.split(';'))
    print(*(repr(float(v)) for v in stats.theilslopes(ys, xs, 0.95)))
";

/// Debian's Python with scipy, or whichever there is.
fn python() -> Option<&'static str> {
    let found = ["/usr/bin/python3", "python3"].into_iter().find(|python| {
        let answer = Command::new(python)
            .args(["-c", "import scipy.stats"])
            .output();
        answer.is_ok_and(|answer| answer.status.success())
    });
    if found.is_none() {
        skip("python3-scipy is not installed");
    }
    found
}

fn ask(python: &str, script: &str, input: &str) -> Vec<Vec<f64>> {
    let mut child = Command::new(python)
        .args(["-c", script])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_owned();
    let writer = std::thread::spawn(move || stdin.write_all(input.as_bytes()).unwrap());
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert!(output.status.success());
    let text = String::from_utf8(output.stdout).unwrap();
    let numbers = |line: &str| line.split(' ').map(|word| word.parse().unwrap()).collect();
    text.lines().map(numbers).collect()
}

/// Nights at uneven times, some at the same, growing with noise, ties and wild figures.
fn any_series() -> impl Strategy<Value = Vec<Point>> {
    let wild = prop_oneof![9 => Just(0.0), 1 => -1e12_f64..1e12];
    let night = (0.0_f64..3.0, any::<bool>(), -5e9_f64..5e9, wild);
    let series = prop::collection::vec(night, 3..120);
    (series, -3e9_f64..3e9, any::<bool>()).prop_map(|(nights, slope, rounded)| {
        let mut x = 0.0;
        let nights = nights.into_iter().map(|(gap, is_same_time, noise, wild)| {
            x += if is_same_time { 0.0 } else { gap };
            let y: f64 = 1e12 + slope * x + noise + wild;
            // figures that meet at the same whole numbers
            if rounded {
                Point {
                    x: x.round(),
                    y: (y / 1e10).round(),
                }
            } else {
                Point { x, y }
            }
        });
        nights.collect()
    })
}

fn close(found: f64, expected: f64, scale: f64) -> bool {
    (found - expected).abs() <= 1e-9 * expected.abs().max(scale * 1e-6)
}

#[test]
fn slope_intercept_and_interval_are_those_of_scipy() {
    let Some(python) = python() else { return };
    let mut runner = TestRunner::deterministic();
    let series: Vec<Vec<Point>> = (0..500)
        .map(|_| any_series().new_tree(&mut runner).unwrap().current())
        .filter(|series| theil_sen(&[series]).is_some())
        .collect();
    assert!(series.len() > 400);
    let mut input = String::new();
    for one in &series {
        let words = |of: fn(&Point) -> f64| {
            one.iter()
                .map(|point| format!("{:?}", of(point)))
                .collect::<Vec<_>>()
                .join(" ")
        };
        writeln!(
            input,
            "{};{}",
            words(|point| point.x),
            words(|point| point.y)
        )
        .unwrap();
    }
    let answers = ask(python, SCRIPT, &input);
    assert_eq!(answers.len(), series.len());
    for (one, answer) in series.iter().zip(answers) {
        let line = theil_sen(&[one]).unwrap();
        let found = [line.slope, line.intercept, line.low, line.high];
        // a slope or intercept of nothing is the difference of figures as large as these
        let largest = one.iter().map(|point| point.y.abs()).fold(0.0, f64::max);
        for (found, expected) in found.into_iter().zip(&answer) {
            if expected.is_nan() {
                // scipy takes the root of a variance below nothing where nearly all are ties
                assert!(
                    line.low <= line.slope && line.slope <= line.high,
                    "{line:?}"
                );
                continue;
            }
            assert!(
                close(found, *expected, largest),
                "{line:?} {answer:?}\n{one:?}"
            );
        }
    }
}
