//! Which copy of a job is looked at next, from where on, and with what is left of a budget: pure.

use std::cmp::Ordering;

use crate::jobs::Name;
use crate::plan::Extent;
use crate::prove::verify::{Checked, Ended, Order};
use crate::record::{Form, Generation, Place};

/// A mirror that changes under the look is looked at so often at most.
const MOST_TRIES: u32 = 3;

/// Whose turn it is, and with what is left of the budget.
pub(super) struct Turn<'v> {
    job: &'v Name,
    extent: &'v Extent,
    budget: Option<u64>,
    pub place: Option<Place>,
    pub is_over: bool,
    tries: u32,
}

impl<'v> Turn<'v> {
    pub fn of(job: &'v Name, extent: &'v Extent) -> Self {
        let (place, budget) = match extent {
            Extent::Slice { from, budget } => (from.clone(), *budget),
            Extent::Everything | Extent::Sample { .. } => (None, None),
        };
        Self {
            job,
            extent,
            budget,
            place,
            is_over: false,
            tries: 0,
        }
    }

    /// Whether an earlier slice was through with the copy.
    pub fn is_done_with(&self, copy: &Generation) -> bool {
        let Some(place) = self.place.as_ref().filter(|place| place.job == *self.job) else {
            return false;
        };
        match place.generation.cmp(&copy.place_name()) {
            Ordering::Less => false,
            Ordering::Equal => place.path.is_none(),
            Ordering::Greater => true,
        }
    }

    /// Whether the look must be begun anew: the name where the last slice ended is not in the manifest any more, or a
    /// mirror was updated meanwhile. That is tried a few times, since the next update may not be far.
    pub fn is_to_try_again(&mut self, copy: &Generation, checked: &Checked) -> bool {
        let is_updated = checked.ended == Ended::Gone && copy.form == Form::Current;
        if checked.ended == Ended::LostPlace {
            self.place = None;
        } else if !is_updated {
            return false;
        }
        self.tries += 1;
        self.tries < MOST_TRIES
    }

    pub fn order_for(&self, copy: &Generation, before: Option<&Generation>) -> Order {
        let here = |place: &&Place| place.job == *self.job && place.generation == copy.place_name();
        match self.extent {
            Extent::Everything => Order::Everything,
            Extent::Sample { files, seed } => Order::Sample {
                files: *files,
                seed: seed.clone(),
            },
            Extent::Slice { .. } => Order::Slice {
                after: self
                    .place
                    .as_ref()
                    .filter(here)
                    .and_then(|place| place.path.clone()),
                budget: self.budget,
                before: before.cloned(),
            },
        }
    }

    pub fn account(&mut self, copy: &Generation, checked: &Checked) {
        let place = |path| {
            Some(Place {
                job: self.job.clone(),
                generation: copy.place_name(),
                path,
            })
        };
        match (checked.ended, &checked.place) {
            (Ended::Enough | Ended::Stopped, None) => {}
            // a mirror that is being updated is read by the next slice
            (Ended::Gone, _) if copy.form == Form::Current => {}
            (Ended::Enough | Ended::Stopped, Some(path)) => self.place = place(Some(path.clone())),
            _ => self.place = place(None),
        }
        if let Some(budget) = &mut self.budget {
            *budget = budget.saturating_sub(checked.sum.bytes);
        }
        let is_put_off = checked.ended == Ended::Gone
            && copy.form == Form::Current
            && matches!(self.extent, Extent::Slice { .. });
        self.is_over = matches!(checked.ended, Ended::Enough | Ended::Stopped)
            || self.budget == Some(0)
            || is_put_off;
    }
}
