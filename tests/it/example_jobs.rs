//! `jobs.example` is a complete configuration folder: every file of it loads, and is what its comments say.

use std::fs;
use std::path::Path;

use hayloft::jobs::{
    CatchUp, DrivePlace, Encrypt, Engine, Kind, KindName, Loaded, Name, Percent, SendWhen, Size,
    Source,
};

use crate::config_folder::ConfigFolder;

/// The folder's files, with the secret files they name moved beside them and made.
fn example() -> ConfigFolder {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("jobs.example");
    let mut made = ConfigFolder::new();
    for secret in [
        "smtp-password",
        "barn-key",
        "orders-passphrase",
        "laptop-key",
        "accounts-passphrase",
        "ines-password",
    ] {
        made = made.with_secret(secret);
    }
    let read = |path: &Path| {
        fs::read_to_string(path)
            .unwrap()
            .replace("/etc/hayloft", "{dir}")
    };
    made = made.with("server.toml", &read(&root.join("server.toml")));
    for entry in fs::read_dir(root.join("jobs")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap();
        made = made.with(&format!("jobs/{name}"), &read(&path));
    }
    made
}

fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

#[test]
fn every_file_of_jobs_example_loads_without_mistake_or_warning() {
    let Loaded { config, warnings } = example().load();
    assert_eq!(warnings, []);
    let names: Vec<_> = config.jobs.keys().map(Name::as_str).collect();
    let expected = [
        "accounts",
        "ines-home",
        "laptops",
        "offsite",
        "orders",
        "orders-database",
        "photographs",
        "server-settings",
        "studio-files",
    ];
    assert_eq!(names, expected);
    assert!(config.jobs.values().all(|job| job.kind.name().is_built()));
    assert!(
        config
            .jobs
            .values()
            .all(|job| config.drives.contains_key(&config.drive_of(job).name))
    );
}

#[test]
fn the_example_server_is_read_as_written() {
    let folder = example();
    let config = folder.load().config;
    assert_eq!(config.server.time_zone.iana_name(), Some("Europe/Lisbon"));
    let mail = config.mail.as_ref().unwrap();
    assert_eq!(mail.smtp.user.as_deref(), Some("hayloft@studio.example"));
    assert_eq!((mail.smtp.port, mail.send), (465, SendWhen::Always));
    assert_eq!(mail.password_file, Some(folder.file("smtp-password")));
    let (shelf, barn) = (
        &config.drives[&name("shelf")],
        &config.drives[&name("barn")],
    );
    assert_eq!(shelf.reserve, Size(20_000_000_000));
    assert_eq!(shelf.address(), "/mnt/shelf");
    assert_eq!(
        (barn.address().as_str(), barn.offsite),
        ("hay@barn.example:/srv/hay", true)
    );
    assert_eq!(barn.reserve, Size(0));
    assert!(matches!(&barn.place, DrivePlace::Ssh { host, .. } if host.port == 2222));
    assert_eq!(config.machines.len(), 2);
}

#[test]
fn the_example_jobs_are_read_as_written() {
    let folder = example();
    let config = folder.load().config;
    let studio = &config.jobs[&name("studio-files")];
    assert_eq!(studio.kind, Kind::History);
    assert_eq!(
        studio.source,
        Some(Source::Local(vec!["/srv/studio".into()]))
    );
    assert_eq!(
        (studio.cap, studio.change_guard),
        (Some(Size(1_500_000_000_000)), Some(Percent(30)))
    );
    let keep: Vec<_> = studio
        .keep
        .iter()
        .map(|k| format!("{} for {}", k.every, k.span))
        .collect();
    assert_eq!(
        keep,
        [
            "1 day for 2 weeks",
            "1 week for 3 months",
            "1 month for 2 years"
        ]
    );
    let orders = &config.jobs[&name("orders")];
    let encrypt = Encrypt::Passphrase(folder.file("orders-passphrase"));
    assert_eq!(
        orders.kind,
        Kind::Archive {
            encrypt: Some(encrypt)
        }
    );
    assert_eq!(orders.pre[0].run, ["systemctl", "stop", "orders"]);
    assert_eq!(
        (orders.post[1].user.as_deref(), &*orders.post[1].env["LANG"]),
        (Some("nobody"), "C.UTF-8")
    );
    let database = &config.jobs[&name("orders-database")];
    let Kind::Database { engine, encrypt } = &database.kind else {
        panic!("{:?}", database.kind);
    };
    let Engine::Postgresql(server) = engine else {
        panic!("{engine:?}");
    };
    assert_eq!(server.name.as_deref(), Some("orders"));
    let closed = Encrypt::Passphrase(folder.file("accounts-passphrase"));
    assert_eq!(encrypt.as_ref(), Some(&closed));
    let home = &config.jobs[&name("ines-home")];
    assert_eq!(home.catch_up, CatchUp::Skip);
    assert!(
        matches!(&home.source, Some(Source::Ssh { host, .. }) if host.identity == Some(folder.file("laptop-key")))
    );
    assert_eq!(
        config.jobs[&name("offsite")].after,
        [name("studio-files"), name("accounts")]
    );
    assert_eq!(
        config.jobs[&name("photographs")].kind.name(),
        KindName::Mirror
    );
}
