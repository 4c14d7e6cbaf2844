//! READ-ME-FIRST.txt, of a directory service: how its export is loaded by hand.

use std::ffi::OsStr;
use std::path::Path;

use crate::jobs::{CONFIG_DATABASE, Directory};
use crate::plan::kinds::directory::member_name;
use crate::plan::quote;
use crate::tools::service;

pub const BEFORE: &str = "What came back is LDIF, a file for each database of the directory service, and \
    export.json, which tells how many entries each has. On a computer on which slapd is installed, as in Debian's \
    package, these lines load it; what was there before is kept under a name that ends in .before:";

/// The commands, each of which is only shown while the word echo stands in it.
pub fn commands(job: &str, directory: &Directory) -> Vec<String> {
    let config = quote(directory.config.as_os_str());
    let file = |name: &str| {
        let path = Path::new("/restore").join(job).join(member_name(name));
        quote(path.as_os_str())
    };
    let mut commands = vec![format!(
        "echo {}",
        service::stop(&directory.service, &directory.control)
    )];
    let described = if directory.has_config() {
        commands.extend(fresh(&config));
        commands.push(format!(
            "echo slapadd -F {config} -n 0 -l {}",
            file(CONFIG_DATABASE)
        ));
        format!("cat {}", file(CONFIG_DATABASE))
    } else {
        format!("slapcat -F {config} -n 0")
    };
    // the folders of the databases, one of which may be that of a database that is not in the export
    let folders = format!("$({described} | sed -n 's/^olcDbDirectory: //p')");
    let [aside, made] = fresh("$FOLDER");
    commands.push(format!(
        "for FOLDER in {folders}; do \\\n        {aside}; \\\n        {made}; done"
    ));
    for suffix in directory.suffixes() {
        commands.push(format!(
            "echo slapadd -F {config} \\\n        -b {} -l {}",
            quote(OsStr::new(suffix)),
            file(suffix)
        ));
    }
    commands.push(format!(
        "for FOLDER in {config} {folders}; do \\\n        echo chown -R openldap:openldap $FOLDER; done"
    ));
    commands.push(format!(
        "echo {}",
        service::start(&directory.service, &directory.control)
    ));
    commands
}

fn fresh(folder: &str) -> [String; 2] {
    [
        format!("echo mv {folder} {folder}.before"),
        format!("echo install -d -o openldap -g openldap -m 0750 {folder}"),
    ]
}
