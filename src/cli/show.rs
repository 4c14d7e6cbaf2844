//! Writes to standard output and standard error. Nobody may be listening any more, as when a terminal was
//! closed or `head` has seen enough: that must end neither a run nor its mail.

use std::fmt::Arguments;
use std::io::{Write, stderr, stdout};

pub fn to_stdout(text: Arguments) {
    let _ = stdout().write_fmt(text);
}

pub fn to_stderr(text: Arguments) {
    let _ = stderr().write_fmt(text);
}

macro_rules! out {
    ($($text:tt)*) => { $crate::cli::show::to_stdout(format_args!($($text)*)) };
}

macro_rules! out_line {
    ($($text:tt)*) => { $crate::cli::show::to_stdout(format_args!("{}\n", format_args!($($text)*))) };
}

macro_rules! error_line {
    ($($text:tt)*) => { $crate::cli::show::to_stderr(format_args!("{}\n", format_args!($($text)*))) };
}
