//! Stops and starts a service: systemctl(1), or what the job file names instead.

use crate::jobs::Control;
use crate::plan::Argv;

pub fn stop(service: &str, control: &Control) -> Argv {
    own(control.stop.as_deref()).unwrap_or_else(|| systemctl("stop", service))
}

pub fn start(service: &str, control: &Control) -> Argv {
    own(control.start.as_deref()).unwrap_or_else(|| systemctl("start", service))
}

fn own(words: Option<&[String]>) -> Option<Argv> {
    let (program, arguments) = words?.split_first()?;
    Some(Argv::new(program).args(arguments))
}

fn systemctl(verb: &str, service: &str) -> Argv {
    Argv::new("systemctl").arg(verb).arg(service)
}
