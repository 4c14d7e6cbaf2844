//! When kept mail is tried next. The service asks only then, and after whatever may have made mail.

use jiff::Timestamp;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailDue {
    /// There may be mail that nobody tried yet.
    Now,
    At(Timestamp),
    NoneKept,
}

impl MailDue {
    /// What a try left: its wish for the next, but not before `earliest`, for a time that has come already
    /// would have us try again and again.
    pub fn after_try(wish: Option<Timestamp>, earliest: Timestamp) -> Self {
        wish.map_or(Self::NoneKept, |time| Self::At(time.max(earliest)))
    }

    pub fn is_due(self, now: Timestamp) -> bool {
        match self {
            Self::Now => true,
            Self::At(time) => time <= now,
            Self::NoneKept => false,
        }
    }

    pub fn next_try(self) -> Option<Timestamp> {
        match self {
            Self::At(time) => Some(time),
            Self::Now | Self::NoneKept => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wish_in_the_past_is_put_off() {
        let [now, soon, later] =
            [0, 60, 3600].map(|second| Timestamp::from_second(second).unwrap());
        assert_eq!(MailDue::after_try(Some(now), soon), MailDue::At(soon));
        assert_eq!(MailDue::after_try(Some(later), soon), MailDue::At(later));
        assert_eq!(MailDue::after_try(None, soon), MailDue::NoneKept);
        assert!(MailDue::At(soon).is_due(soon) && !MailDue::At(soon).is_due(now));
    }
}
