//! Least squares against the certified values of NIST's Statistical Reference Datasets.
//!
//! Digits are counted as NIST does: the log relative error, -log10 of the relative difference, or of the absolute
//! one where the certified value is zero; 15 at most.

use std::fs;
use std::path::Path;

use proptest::prelude::*;

use super::super::point::Point;
use super::super::theil_sen;
use super::*;

struct Certified {
    file: &'static str,
    /// The powers of `x` that are the columns.
    powers: &'static [i32],
    coefficients: &'static [f64],
    errors: &'static [f64],
    residual_sd: Option<f64>,
    r_squared: Option<f64>,
}

/// Digits that must agree, of the 15 that are certified.
const DIGITS: f64 = 13.0;

const FIFTH: &[i32] = &[0, 1, 2, 3, 4, 5];

/// As in the headers of the files, which have them from <https://www.itl.nist.gov/div898/strd/lls/lls.shtml>.
const DATASETS: [Certified; 9] = [
    Certified {
        file: "norris",
        powers: &[0, 1],
        coefficients: &[-0.262_323_073_774_029, 1.002_116_818_020_45],
        errors: &[0.232_818_234_301_152, 0.429_796_848_199_937e-3],
        residual_sd: Some(0.884_796_396_144_373),
        r_squared: Some(0.999_993_745_883_712),
    },
    Certified {
        file: "pontius",
        powers: &[0, 1, 2],
        coefficients: &[
            0.673_565_789_473_684e-3,
            0.732_059_160_401_003e-6,
            -0.316_081_871_345_029e-14,
        ],
        errors: &[
            0.107_938_612_033_077e-3,
            0.157_817_399_981_659e-9,
            0.486_652_849_992_036e-16,
        ],
        residual_sd: Some(0.205_177_424_076_185e-3),
        r_squared: Some(0.999_999_900_178_537),
    },
    Certified {
        file: "noint1",
        powers: &[1],
        coefficients: &[2.074_380_165_289_26],
        errors: &[0.165_289_256_198_347e-1],
        residual_sd: Some(3.567_530_340_063_38),
        r_squared: Some(0.999_365_492_298_663),
    },
    Certified {
        file: "noint2",
        powers: &[1],
        coefficients: &[0.727_272_727_272_727],
        errors: &[0.420_827_318_078_432e-1],
        residual_sd: Some(0.369_274_472_937_998),
        r_squared: Some(0.993_348_115_299_335),
    },
    Certified {
        file: "wampler1",
        powers: FIFTH,
        coefficients: &[1.0; 6],
        errors: &[0.0; 6],
        residual_sd: Some(0.0),
        r_squared: Some(1.0),
    },
    Certified {
        file: "wampler2",
        powers: FIFTH,
        coefficients: &[1.0, 0.1, 0.01, 0.001, 0.0001, 0.000_01],
        errors: &[0.0; 6],
        residual_sd: Some(0.0),
        r_squared: Some(1.0),
    },
    Certified {
        file: "wampler3",
        powers: FIFTH,
        coefficients: &[1.0; 6],
        errors: &[
            2_152.326_246_781_70,
            2_363.551_734_696_81,
            779.343_524_331_583,
            101.475_507_550_350,
            5.645_665_121_707_52,
            0.112_324_854_679_312,
        ],
        residual_sd: None,
        r_squared: None,
    },
    Certified {
        file: "wampler4",
        powers: FIFTH,
        coefficients: &[1.0; 6],
        errors: &[
            215_232.624_678_170,
            236_355.173_469_681,
            77_934.352_433_158_3,
            10_147.550_755_035_0,
            564.566_512_170_752,
            11.232_485_467_931_2,
        ],
        residual_sd: None,
        r_squared: None,
    },
    Certified {
        file: "wampler5",
        powers: FIFTH,
        coefficients: &[1.0; 6],
        errors: &[
            21_523_262.467_817_0,
            23_635_517.346_968_1,
            7_793_435.243_315_83,
            1_014_755.075_503_50,
            56_456.651_217_075_2,
            1_123.248_546_793_12,
        ],
        residual_sd: None,
        r_squared: None,
    },
];

fn rows(file: &str) -> (Vec<f64>, Vec<f64>) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference-data/nist-strd");
    let text = fs::read_to_string(folder.join(format!("{file}.csv"))).unwrap();
    let rows = text.lines().filter(|line| !line.starts_with('#')).skip(1);
    rows.map(|row| {
        let (x, y) = row.split_once(',').unwrap();
        (x.parse::<f64>().unwrap(), y.parse::<f64>().unwrap())
    })
    .unzip()
}

fn digits(found: f64, certified: f64) -> f64 {
    let apart = (found - certified).abs();
    let relative = if certified == 0.0 {
        apart
    } else {
        apart / certified.abs()
    };
    if relative == 0.0 {
        15.0
    } else {
        (-relative.log10()).clamp(0.0, 15.0)
    }
}

fn fewest(found: &[f64], certified: &[f64]) -> f64 {
    let pairs = found.iter().zip(certified);
    pairs
        .map(|(found, certified)| digits(*found, *certified))
        .fold(15.0, f64::min)
}

fn column(x: &[f64], power: i32) -> Vec<f64> {
    x.iter().map(|x| x.powi(power)).collect()
}

#[test]
fn the_certified_values_of_nist_are_met_to_the_digits_that_doubles_permit() {
    for dataset in DATASETS {
        let (x, y) = rows(dataset.file);
        let columns: Vec<Vec<f64>> = dataset
            .powers
            .iter()
            .map(|power| column(&x, *power))
            .collect();
        let fit = least_squares(&columns, &y).unwrap();
        let coefficients = fewest(&fit.coefficients, dataset.coefficients);
        let errors = fewest(&fit.errors, dataset.errors);
        let sd = dataset
            .residual_sd
            .map_or(15.0, |sd| digits(fit.residual_sd, sd));
        let share = dataset
            .r_squared
            .map_or(15.0, |share| digits(fit.r_squared, share));
        println!(
            "{}: digits of coefficients {coefficients:.1}, standard errors {errors:.1}, residual sd {sd:.1}, R2 {share:.1}",
            dataset.file
        );
        let all = coefficients.min(errors).min(sd).min(share);
        assert!(all >= DIGITS, "{}: {fit:?}", dataset.file);
    }
}

#[test]
fn columns_that_are_made_of_each_other_have_no_fit() {
    let x = [1.0, 2.0, 3.0, 4.0, 5.0];
    let twice = [2.0, 4.0, 6.0, 8.0, 10.0];
    let y = [1.0, 3.0, 2.0, 5.0, 4.0];
    assert_eq!(least_squares(&[x.to_vec(), twice.to_vec()], &y), None);
    assert_eq!(least_squares(&[x.to_vec()], &y[..1]), None);
    assert_eq!(least_squares(&[vec![0.0; 5]], &y), None);
    assert_eq!(least_squares(&[vec![f64::NAN; 5]], &y), None);
}

#[test]
fn the_robust_line_of_norris_is_within_the_standard_error_of_the_certified_one() {
    let (x, y) = rows("norris");
    let points: Vec<Point> = x
        .iter()
        .zip(&y)
        .map(|(x, y)| Point { x: *x, y: *y })
        .collect();
    let line = theil_sen(&[&points]).unwrap();
    assert!(
        (line.slope - 1.002_116_818_020_45).abs() < 0.429_796_848_199_937e-3,
        "{line:?}"
    );
}

proptest! {
    #[test]
    fn the_residuals_of_a_fit_stand_upright_on_every_column(
        rows in prop::collection::vec((-1e3_f64..1e3, -1e6_f64..1e6), 4..40),
    ) {
        let (x, y): (Vec<f64>, Vec<f64>) = rows.into_iter().unzip();
        let columns = [vec![1.0; x.len()], x.clone()];
        let Some(fit) = least_squares(&columns, &y) else { return Ok(()) };
        let left: Vec<f64> = (x.iter().zip(&y))
            .map(|(x, y)| y - fit.coefficients[0] - fit.coefficients[1] * x)
            .collect();
        for column in &columns {
            let along = dot(column, &left).abs();
            prop_assert!(along <= 1e-9 * length(column) * length(&y).max(1.0), "{along}");
        }
    }
}
