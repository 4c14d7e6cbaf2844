//! What space a job needs for history of a given reach, and how far it reaches in a given space.
//!
//! An upper bound by its making: between two kept generations every byte that went away is reckoned as held by the
//! older one, though a file that changed ten times in between is held once; and never more than the whole source is.

use serde::Serialize;

use super::ages::KeptAges;
use super::growth::HORIZON_DAYS;

/// How generations of a job share space.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Holding {
    /// Each holds only what the next newer one does not: `history`.
    Differences,
    /// Each is all of it: `archive`.
    Whole,
}

/// Bytes and days. What is less than nothing counts as nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct Demand {
    pub holding: Holding,
    /// What one copy takes now.
    pub copy: f64,
    /// What the job's folder takes beyond that whatever the reach, such as folders and files' last blocks.
    pub beside: f64,
    /// By how much the copy grows in a day.
    pub growth: f64,
    /// Bytes in a day that the newer generation no longer has.
    pub gone: f64,
    /// What was measured to be held of those, as a share of the bound: 0 to 1.
    pub share: f64,
    /// How far history reaches back now. While it gets further, the source grows.
    pub reach_now: f64,
}

impl Demand {
    /// The space that history of so many days takes, once it reaches so far back.
    pub fn space(&self, ages: &KeptAges, reach: f64) -> f64 {
        let ahead = (reach - self.reach_now).max(0.0);
        let newest = self.copy + self.beside + self.growth.max(0.0) * ahead;
        newest + self.share * self.bound(ages.gaps(reach))
    }

    /// At most this is held by older generations, by the gaps between them: each as it is, and as far as it counts.
    pub fn bound(&self, gaps: impl Iterator<Item = (f64, f64)>) -> f64 {
        let held = gaps.map(|(gap, counted)| match self.holding {
            Holding::Differences => (self.gone.max(0.0) * counted).min(self.copy),
            Holding::Whole if gap.is_finite() => self.copy * counted / gap,
            Holding::Whole => 0.0,
        });
        held.sum()
    }

    /// How far back history reaches in `space`, in days, at most ten years; nothing when not even one copy fits.
    pub fn reach(&self, ages: &KeptAges, space: f64) -> f64 {
        let (mut low, mut high) = (0.0, f64::from(HORIZON_DAYS));
        if self.space(ages, high) <= space {
            return high;
        }
        if self.space(ages, low) > space {
            return 0.0;
        }
        // to about a second
        for _ in 0..40 {
            let middle = f64::midpoint(low, high);
            if self.space(ages, middle) <= space {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::jobs::{KeepRule, Span, Unit};

    fn any_demand() -> impl Strategy<Value = Demand> {
        let figures = (
            1e3_f64..1e9,
            0_f64..1e6,
            -1e5_f64..1e6,
            -1e5_f64..1e7,
            0.05_f64..1.0,
            0_f64..500.0,
        );
        (any::<bool>(), figures).prop_map(
            |(differences, (copy, beside, growth, gone, share, reach_now))| Demand {
                holding: if differences {
                    Holding::Differences
                } else {
                    Holding::Whole
                },
                copy,
                beside,
                growth,
                gone,
                share,
                reach_now,
            },
        )
    }

    fn any_ages() -> impl Strategy<Value = KeptAges> {
        let rule = (1_u32..10, 0_usize..3, 1_u32..20).prop_map(|(amount, unit, times)| {
            let unit = [Unit::Day, Unit::Week, Unit::Month][unit];
            KeepRule {
                every: Span { amount, unit },
                span: Span {
                    amount: amount * times,
                    unit,
                },
            }
        });
        (prop::collection::vec(rule, 0..4), 0.5_f64..10.0)
            .prop_map(|(rules, cadence)| KeptAges::of(&rules, cadence))
    }

    fn nightly() -> KeptAges {
        KeptAges::of(&[], 1.0)
    }

    #[test]
    fn a_year_of_steady_change_takes_the_source_and_a_year_of_changes() {
        let demand = Demand {
            holding: Holding::Differences,
            copy: 100e9,
            beside: 0.0,
            growth: 0.0,
            gone: 1e9,
            share: 1.0,
            reach_now: 0.0,
        };
        assert_eq!(demand.space(&nightly(), 365.0), 465e9);
        assert!((demand.reach(&nightly(), 465e9) - 365.0).abs() < 1e-4);
        assert_eq!(demand.reach(&nightly(), 99e9), 0.0);
        let archive = Demand {
            holding: Holding::Whole,
            ..demand
        };
        assert_eq!(archive.space(&nightly(), 6.0), 700e9);
    }

    #[test]
    fn one_gap_holds_at_most_the_whole_source() {
        let yearly = KeepRule {
            every: Span {
                amount: 1,
                unit: Unit::Year,
            },
            span: Span {
                amount: 3,
                unit: Unit::Year,
            },
        };
        let ages = KeptAges::of(&[yearly], 1.0);
        let demand = Demand {
            holding: Holding::Differences,
            copy: 1e9,
            beside: 0.0,
            growth: 0.0,
            gone: 1e9,
            share: 1.0,
            reach_now: 0.0,
        };
        assert_eq!(demand.space(&ages, 700.0), 3e9);
    }

    proptest! {
        #[test]
        fn more_space_never_reaches_less_far(demand in any_demand(), ages in any_ages(), space in 0_f64..1e11, more in 0_f64..1e10) {
            prop_assert!(demand.reach(&ages, space) <= demand.reach(&ages, space + more));
        }

        #[test]
        fn further_back_never_takes_less(demand in any_demand(), ages in any_ages(), reach in 0_f64..3000.0, more in 0_f64..500.0) {
            let (near, far) = (demand.space(&ages, reach), demand.space(&ages, reach + more));
            prop_assert!(near <= far * (1.0 + 1e-12), "{near} {far}");
        }

        #[test]
        fn the_space_for_the_reach_of_a_space_is_that_space(demand in any_demand(), ages in any_ages(), space in 1e3_f64..1e11) {
            let reach = demand.reach(&ages, space);
            let needed = demand.space(&ages, reach);
            let at_an_end = reach == 0.0 || reach == f64::from(HORIZON_DAYS);
            // a step up of the bound is crossed within the second that the search leaves open
            let slack = 1e-4 * space + 1e-5 * (demand.gone.max(0.0) + demand.growth.max(0.0) + demand.copy);
            prop_assert!(at_an_end || (needed <= space && space - needed <= slack), "{reach}: {needed} {space}");
        }
    }
}
