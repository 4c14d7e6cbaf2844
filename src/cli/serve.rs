//! `hayloft serve`

use super::serve_host::ServeHost;
use super::settings::{Settings, trouble};
use crate::exit::Exit;
use crate::run::{LockError, RunLog, lock_service};
use crate::schedule::{Service, Signals};

pub fn serve(settings: &Settings) -> Exit {
    let log = RunLog::install_for_service();
    // Wrong files at the start are an alarm, not an end; but without any there is no state folder to lock.
    let state_dir = crate::jobs::load(&settings.folder)
        .ok()
        .map(|loaded| loaded.config.server.state_dir);
    let _lock = match state_dir.map(|folder| lock_service(&folder)).transpose() {
        Ok(lock) => lock,
        Err(error @ LockError::Held { .. }) => {
            eprintln!("error: {error}");
            return Exit::Busy;
        }
        Err(error) => return trouble(&error),
    };
    let serve = || {
        let signals = Signals::of_process()?;
        Service::new(ServeHost::new(settings, log), settings.clock, signals)?.run()
    };
    match serve() {
        Ok(_) => Exit::Well,
        Err(error) => trouble(&error),
    }
}
