//! From a run's record to somebody's mailbox: the message, the SMTP session, the outbox.
//!
//! A mail is written into the outbox before it is first tried, so that neither a power cut nor a
//! server that is down for days loses it; what could not be delivered stays visible in the status.

mod deadline;
mod delivery;
mod durable;
mod entry;
mod error;
mod listing;
mod message;
mod outbox;
mod password;
mod selection;
mod session;

pub use delivery::DeliveryReport;
pub use error::MailError;
pub use message::{notice_message, run_message};
pub use outbox::Outbox;
pub use selection::is_mailed;
pub use session::{DEFAULT_TIMEOUT, Refusal};
