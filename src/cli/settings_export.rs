//! The parts of an export of settings that hayloft makes itself: the script, and the inventory.

use std::io::{BufReader, Write as _, stdin, stdout};

use super::settings::trouble;
use crate::exit::Exit;
use crate::report::inventory_text;
use crate::settings::{APPLY, Inventory, Kept};

pub fn script() -> Exit {
    write(APPLY)
}

/// Reads the members of an export from standard input.
pub fn inventory() -> Exit {
    match Kept::read(BufReader::new(stdin().lock())) {
        Ok(kept) => write(&inventory_text(&Inventory::of(&kept))),
        Err(error) => trouble(&error),
    }
}

fn write(text: &str) -> Exit {
    let mut out = stdout().lock();
    let written = out.write_all(text.as_bytes()).and_then(|()| out.flush());
    written.map_or_else(|error| trouble(&error), |()| Exit::Well)
}
