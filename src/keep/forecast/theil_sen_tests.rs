//! The laws of the robust line. Its figures are held against another program's in `tests/it/forecast_oracle.rs`.

use proptest::prelude::*;

use super::*;

fn points(xs: &[f64], ys: &[f64]) -> Vec<Point> {
    xs.iter()
        .zip(ys)
        .map(|(x, y)| Point { x: *x, y: *y })
        .collect()
}

fn close(a: f64, b: f64, scale: f64) -> bool {
    (a - b).abs() <= 1e-9 * scale.max(1.0)
}

/// Whole numbers, so that shifts and scales by powers of two are exact.
fn any_points() -> impl Strategy<Value = Vec<Point>> {
    prop::collection::vec((0_i16..400, -3000_i16..3000), 3..40).prop_map(|pairs| {
        let point = |(x, y)| Point {
            x: f64::from(x),
            y: f64::from(y),
        };
        pairs.into_iter().map(point).collect()
    })
}

#[test]
fn a_line_with_wild_points_among_it_is_found_exactly() {
    let xs: Vec<f64> = (0..20).map(f64::from).collect();
    let mut ys: Vec<f64> = xs.iter().map(|x| 3.0 * x + 7.0).collect();
    for wild in [2, 9, 13, 17] {
        ys[wild] = 1e6;
    }
    let line = theil_sen(&[&points(&xs, &ys)]).unwrap();
    assert!(
        close(line.slope, 3.0, 1.0) && line.low <= 3.0 && 3.0 <= line.high,
        "{line:?}"
    );
}

#[test]
fn points_at_one_time_have_no_slope() {
    assert_eq!(theil_sen(&[&points(&[1.0, 1.0], &[2.0, 5.0])]), None);
    assert_eq!(theil_sen(&[]), None);
    assert_eq!(theil_sen(&[&points(&[1.0, 2.0], &[2.0, f64::NAN])]), None);
}

proptest! {
    #[test]
    fn the_interval_holds_the_slope(points in any_points()) {
        let Some(line) = theil_sen(&[&points]) else { return Ok(()) };
        prop_assert!(line.low <= line.slope && line.slope <= line.high, "{line:?}");
    }

    #[test]
    fn scaling_the_figures_scales_the_line(points in any_points(), power in -3_i32..4) {
        let factor = 2_f64.powi(power);
        let scaled: Vec<Point> = points.iter().map(|p| Point { x: p.x, y: p.y * factor }).collect();
        let (Some(line), Some(other)) = (theil_sen(&[&points]), theil_sen(&[&scaled])) else { return Ok(()) };
        prop_assert_eq!(other.slope, line.slope * factor);
        prop_assert_eq!((other.low, other.high), (line.low * factor, line.high * factor));
    }

    #[test]
    fn shifting_the_figures_shifts_only_the_intercept(points in any_points(), up in -1000_i16..1000, on in 0_i16..1000) {
        let shifted: Vec<Point> = points
            .iter()
            .map(|p| Point { x: p.x + f64::from(on), y: p.y + f64::from(up) })
            .collect();
        let (Some(line), Some(other)) = (theil_sen(&[&points]), theil_sen(&[&shifted])) else { return Ok(()) };
        prop_assert_eq!((other.slope, other.low, other.high), (line.slope, line.low, line.high));
        let expected = line.intercept + f64::from(up) - line.slope * f64::from(on);
        prop_assert!(close(other.intercept, expected, 1e6), "{} {}", other.intercept, expected);
    }

    #[test]
    fn turning_time_around_turns_the_sign(points in any_points()) {
        let turned: Vec<Point> = points.iter().map(|p| Point { x: -p.x, y: p.y }).collect();
        let (Some(line), Some(other)) = (theil_sen(&[&points]), theil_sen(&[&turned])) else { return Ok(()) };
        prop_assert!(close(other.slope, -line.slope, 1.0));
    }

    #[test]
    fn the_level_of_a_stretch_does_not_matter(points in any_points(), cut in 1_usize..39, up in -30_000_i16..30_000) {
        let mut points = points;
        points.sort_by(|a, b| a.x.total_cmp(&b.x));
        let cut = cut.min(points.len() - 1);
        let (first, second) = points.split_at(cut);
        let lifted: Vec<Point> = second.iter().map(|p| Point { x: p.x, y: p.y + f64::from(up) }).collect();
        let (Some(line), Some(other)) = (theil_sen(&[first, second]), theil_sen(&[first, &lifted])) else { return Ok(()) };
        prop_assert_eq!((other.slope, other.low, other.high), (line.slope, line.low, line.high));
    }
}
