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
    /// What a try at `now` left: its wish for the next. One that has come already would have us try again
    /// and again, and is put off to `later`.
    pub fn after_try(wish: Option<Timestamp>, now: Timestamp, later: Timestamp) -> Self {
        match wish {
            None => Self::NoneKept,
            Some(time) if time > now => Self::At(time),
            Some(_) => Self::At(later),
        }
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
        let after = |wish| MailDue::after_try(wish, now, later);
        assert_eq!(after(Some(now)), MailDue::At(later));
        assert_eq!(after(Some(soon)), MailDue::At(soon));
        assert_eq!(after(None), MailDue::NoneKept);
        assert!(MailDue::At(soon).is_due(soon) && !MailDue::At(soon).is_due(now));
    }
}
