//! Sends tracing events to standard error and, while a run goes on, to the log of that run.

use std::fs::File;
use std::io::{self, Write};
use std::sync::{Arc, Mutex, PoisonError};

use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::MakeWriter;
use tracing_subscriber::layer::{Layer, SubscriberExt};
use tracing_subscriber::util::SubscriberInitExt;

/// The file that events go to now, if any. Clones share it.
#[derive(Debug, Clone, Default)]
pub struct RunLog(Arc<Mutex<Option<File>>>);

impl RunLog {
    /// Sets up tracing for this process. Standard error hears warnings, or what `HAYLOFT_LOG` asks for
    /// (tracing-subscriber's filter syntax); the run's log hears everything from `info` up.
    pub fn install() -> Self {
        Self::install_with("warn")
    }

    fn install_with(level: &str) -> Self {
        let log = Self::default();
        let console =
            EnvFilter::try_from_env("HAYLOFT_LOG").unwrap_or_else(|_| EnvFilter::new(level));
        let to_console = tracing_subscriber::fmt::layer()
            .with_writer(io::stderr)
            .with_target(false)
            .without_time()
            .with_ansi(false)
            // told with a macro that panics when nobody reads standard error any more
            .log_internal_errors(false)
            .with_filter(console);
        let to_file = tracing_subscriber::fmt::layer()
            .with_writer(log.clone())
            .with_target(false)
            .with_ansi(false)
            .log_internal_errors(false)
            .with_filter(EnvFilter::new("info"));
        // a second call, as in tests, keeps the first set-up
        let _ = tracing_subscriber::registry()
            .with(to_console)
            .with(to_file)
            .try_init();
        log
    }

    /// As [`RunLog::install`], with standard error hearing `info` too: the journal of a service.
    pub fn install_for_service() -> Self {
        Self::install_with("info")
    }

    /// Events go to `file` from now on.
    pub fn begin(&self, file: File) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(file);
    }

    /// Flushes and lets go of the file.
    pub fn end(&self) {
        if let Some(file) = self.0.lock().unwrap_or_else(PoisonError::into_inner).take() {
            let _ = file.sync_all();
        }
    }
}

impl<'a> MakeWriter<'a> for RunLog {
    type Writer = LogWriter;

    fn make_writer(&'a self) -> LogWriter {
        LogWriter(
            self.0
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .as_ref()
                .and_then(|file| file.try_clone().ok()),
        )
    }
}

/// Writes to the log when there is one, and nowhere otherwise.
#[derive(Debug)]
pub struct LogWriter(Option<File>);

impl Write for LogWriter {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0
            .as_mut()
            .map_or(Ok(bytes.len()), |file| file.write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.as_mut().map_or(Ok(()), Write::flush)
    }
}
