//! `hayloft check`

use super::arguments::CheckArguments;
use super::settings::Settings;
use crate::exit::Exit;

pub fn check(_settings: &Settings, _wanted: &CheckArguments) -> Exit {
    Exit::Well
}
