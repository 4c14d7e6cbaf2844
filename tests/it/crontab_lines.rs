//! Random crontab lines, built together with the numbers they stand for, so that no test has to trust
//! the parser it checks.

use proptest::prelude::*;

/// One field: as written, and what it means.
#[derive(Debug, Clone)]
pub struct Field {
    pub text: String,
    pub numbers: Vec<u32>,
}

impl Field {
    pub fn begins_with_star(&self) -> bool {
        self.text.starts_with('*')
    }
}

#[derive(Debug, Clone)]
pub struct Line {
    pub minute: Field,
    pub hour: Field,
    pub day: Field,
    pub month: Field,
    pub weekday: Field,
}

impl Line {
    pub fn text(&self) -> String {
        [
            &self.minute,
            &self.hour,
            &self.day,
            &self.month,
            &self.weekday,
        ]
        .map(|field| field.text.as_str())
        .join(" ")
    }

    /// cron(8): "Only jobs that run at a particular time (not [...] with '*' in the hour or minute specifier)".
    pub fn has_stated_times(&self) -> bool {
        !self.minute.begins_with_star() && !self.hour.begins_with_star()
    }
}

fn item(low: u32, high: u32) -> impl Strategy<Value = Field> {
    let number = (low..=high).prop_map(|n| Field {
        text: n.to_string(),
        numbers: vec![n],
    });
    let range = (low..=high, low..=high).prop_map(|(a, b)| Field {
        text: format!("{}-{}", a.min(b), a.max(b)),
        numbers: (a.min(b)..=a.max(b)).collect(),
    });
    let stepped = (low..=high, low..=high, 1..=high / 2).prop_map(|(a, b, step)| Field {
        text: format!("{}-{}/{step}", a.min(b), a.max(b)),
        numbers: (a.min(b)..=a.max(b)).step_by(step as usize).collect(),
    });
    prop_oneof![4 => number, 2 => range, 1 => stepped]
}

fn list(low: u32, high: u32) -> impl Strategy<Value = Field> {
    prop::collection::vec(item(low, high), 1..4).prop_map(|items| Field {
        text: items
            .iter()
            .map(|item| item.text.as_str())
            .collect::<Vec<_>>()
            .join(","),
        numbers: items.into_iter().flat_map(|item| item.numbers).collect(),
    })
}

/// `last` is where `*` ends: 6 for weekdays, of which 7 is another name for the first.
fn field(low: u32, high: u32, last: u32) -> impl Strategy<Value = Field> {
    let star = Just(Field {
        text: "*".to_owned(),
        numbers: (low..=last).collect(),
    });
    let stepped = (1..=last / 2).prop_map(move |step| Field {
        text: format!("*/{step}"),
        numbers: (low..=last).step_by(step as usize).collect(),
    });
    let one = (low..=high).prop_map(|n| Field {
        text: n.to_string(),
        numbers: vec![n],
    });
    prop_oneof![3 => star, 1 => stepped, 3 => one, 3 => list(low, high)]
}

fn any_day(low: u32, high: u32, last: u32) -> impl Strategy<Value = Field> {
    // Mostly `*`, or hardly any line would meet the two days of a year on which clocks change.
    let star = Just(Field {
        text: "*".to_owned(),
        numbers: (low..=last).collect(),
    });
    prop_oneof![3 => star, 1 => field(low, high, last)]
}

/// Hours lean towards the night, where clocks change.
fn hour() -> impl Strategy<Value = Field> {
    prop_oneof![2 => field(0, 23, 23), 2 => list(0, 4), 2 => (0u32..=3).prop_map(|n| Field {
        text: n.to_string(),
        numbers: vec![n],
    })]
}

pub fn line() -> impl Strategy<Value = Line> {
    (
        field(0, 59, 59),
        hour(),
        any_day(1, 31, 31),
        any_day(1, 12, 12),
        any_day(0, 7, 6),
    )
        .prop_map(|(minute, hour, day, month, weekday)| Line {
            minute,
            hour,
            day,
            month,
            weekday,
        })
}
