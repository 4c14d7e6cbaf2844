//! `hayloft serve`

use super::files_in_force;
use super::serve_host::ServeHost;
use super::settings::{Settings, trouble};
use crate::exit::Exit;
use crate::run::{LockError, RunLog};
use crate::schedule::{Service, Signals};

pub fn serve(settings: &Settings) -> Exit {
    let log = RunLog::install_for_service();
    let mut host = ServeHost::new(settings, log);
    // Wrong files at the start are an alarm, not an end; the state folder is found even so.
    let state_dir = files_in_force::state_dir_of(&settings.folder);
    match host.claim(&state_dir) {
        Ok(()) => {}
        Err(error @ LockError::Held { .. }) => {
            eprintln!("error: {error}");
            return Exit::Busy;
        }
        Err(error) => return trouble(&error),
    }
    let serve = || {
        let signals = Signals::of_process()?;
        Service::new(host, settings.clock, signals)?.run()
    };
    match serve() {
        Ok(_) => Exit::Well,
        Err(error) => trouble(&error),
    }
}
