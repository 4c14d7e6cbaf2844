//! What a person sees while a run goes on: a bar on a terminal, a quiet line a step elsewhere.

use std::io::{IsTerminal, Write};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Where progress is shown.
#[derive(Debug)]
pub enum Progress {
    Bar(ProgressBar),
    Lines,
    Silent,
}

impl Progress {
    /// A bar when standard error is a terminal that can draw one.
    pub fn for_this_terminal() -> Self {
        let is_dumb = std::env::var_os("TERM").is_none_or(|term| term == "dumb");
        if !std::io::stderr().is_terminal() || is_dumb {
            return Self::Lines;
        }
        let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr());
        // a step of hayloft's own, such as flushing, tells nothing until it is done
        bar.enable_steady_tick(Duration::from_millis(200));
        Self::Bar(bar)
    }

    /// A line that must be read before what follows.
    pub fn announce(&self, words: &str) {
        match self {
            Self::Silent => {}
            Self::Lines => line(words),
            Self::Bar(bar) => bar.println(words),
        }
    }

    /// Whose steps follow.
    pub fn heading(&self, job: &str) {
        match self {
            Self::Silent => {}
            Self::Lines => line(job),
            Self::Bar(bar) => bar.println(job),
        }
    }

    /// A step begins. `bytes` is how much it will move, where that is known.
    pub fn begin(&self, words: &str, bytes: Option<u64>) {
        match self {
            Self::Silent => {}
            Self::Lines => line(&format!("  {words}")),
            Self::Bar(bar) => {
                bar.reset();
                bar.set_style(style(bytes.is_some()));
                bar.set_length(bytes.unwrap_or(0));
                bar.set_message(words.to_owned());
            }
        }
    }

    pub fn bytes(&self, so_far: u64) {
        if let Self::Bar(bar) = self {
            // a source that grew meanwhile must not show more than all
            if bar
                .length()
                .is_some_and(|length| length > 0 && so_far > length)
            {
                bar.set_length(so_far);
            }
            bar.set_position(so_far);
        }
    }

    /// Files so far, beside the bytes.
    pub fn files(&self, count: u64) {
        if let Self::Bar(bar) = self {
            bar.set_prefix(format!("{count} files"));
        }
    }

    pub fn finish(&self) {
        if let Self::Bar(bar) = self {
            bar.finish_and_clear();
        }
    }
}

/// Nobody may be looking any more, as when a terminal was closed: the run goes on.
fn line(words: &str) {
    let _ = writeln!(std::io::stderr(), "{words}");
}

/// # Panics
/// Never: both templates are constants, and a test reads them.
fn style(total_is_known: bool) -> ProgressStyle {
    let template = if total_is_known {
        WITH_TOTAL
    } else {
        WITHOUT_TOTAL
    };
    ProgressStyle::with_template(template).expect("a template that a test reads")
}

const WITH_TOTAL: &str = "  {wide_msg}\n  {bar:16} {decimal_bytes} of {decimal_total_bytes}  {decimal_bytes_per_sec}  {prefix}  {eta} left";
const WITHOUT_TOTAL: &str = "  {wide_msg}  {elapsed}";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_templates_are_understood() {
        style(true);
        style(false);
    }
}
