//! The commands of a plan that set the folder of a service aside, and put it back.

use super::settings::trouble;
use super::step_arguments::{PutBackArguments, SetAsideArguments};
use crate::exit::Exit;
use crate::run::aside;

pub fn set_aside(wanted: &SetAsideArguments) -> Exit {
    match aside::set_aside(&wanted.place, &wanted.aside, &wanted.owner) {
        Ok(()) => Exit::Well,
        Err(error) => trouble(&error),
    }
}

pub fn put_back(wanted: &PutBackArguments) -> Exit {
    match aside::put_back(&wanted.place, &wanted.aside, &wanted.failed) {
        Ok(true) => Exit::Well,
        Ok(false) => {
            println!("`{}` was not set aside", wanted.place.display());
            Exit::Well
        }
        Err(error) => trouble(&error),
    }
}
