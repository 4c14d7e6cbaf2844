//! Right files of every kind, the defaults, and what is passed over.

use hayloft::jobs::{
    CatchUp, CloneTarget, Config, Control, Directory, DrivePlace, Encrypt, Engine, Kind,
    LocalServer, Name, SendWhen, Size,
};

use crate::config_folder::{ConfigFolder, HISTORY, SERVER};

const RECIPIENT: &str = "age1ql3z7hjy54pw3hyww5ayyfg7zqgvc7w3j2elw8zmrj2kg5sfn9aqmcac8p";

fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

#[track_caller]
fn kind_of(text: &str) -> Kind {
    let folder = ConfigFolder::new().with("jobs/x.toml", &format!("drive = \"shelf\"\n{text}\n"));
    folder.load().config.jobs[&name("x")].kind.clone()
}

fn one_job(text: &str) -> Config {
    ConfigFolder::new()
        .with("jobs/studio.toml", text)
        .load()
        .config
}

#[test]
fn what_is_left_out_has_its_default() {
    let config = one_job(HISTORY);
    let job = &config.jobs[&name("studio")];
    assert_eq!(job.catch_up, CatchUp::RunSoon);
    assert_eq!((job.timeout, job.cap, &job.schedule), (None, None, &None));
    assert_eq!(config.server.state_dir.as_os_str(), "/var/lib/hayloft");
    assert_eq!(config.drives[&name("shelf")].reserve, Size(1_000_000_000));
    assert!(!config.drives[&name("shelf")].offsite);
    assert_eq!(config.mail, None);
}

#[test]
fn mail_is_always_sent_unless_said_otherwise() {
    let mail =
        "[mail]\nsmtp = \"smtp://localhost\"\nfrom = \"a@b.example\"\nto = [\"c@d.example\"]\n";
    let folder = ConfigFolder::new().with("server.toml", &format!("{SERVER}{mail}"));
    let mail = folder
        .with("jobs/studio.toml", HISTORY)
        .load()
        .config
        .mail
        .unwrap();
    assert_eq!((mail.send, mail.smtp.port), (SendWhen::Always, 25));
}

#[test]
fn a_drive_reached_by_ssh_has_no_reserve_unless_it_is_given() {
    let server =
        "[server]\nname = \"kiln\"\n[drives.shelf]\nssh = \"hay@barn\"\npath = \"/srv/hay\"\n";
    let folder = ConfigFolder::new()
        .with("server.toml", server)
        .with("jobs/studio.toml", HISTORY);
    let config = folder.load().config;
    let drive = &config.drives[&name("shelf")];
    assert_eq!(drive.reserve, Size(0));
    assert!(
        matches!(&drive.place, DrivePlace::Ssh { host, .. } if host.port == 22 && host.identity.is_none())
    );
}

#[test]
fn a_clone_goes_to_a_disk_or_an_image() {
    let disk = kind_of("kind = \"clone\"\ntarget = { disk = \"/dev/disk/by-id/ata-SPARE\" }");
    assert_eq!(
        disk,
        Kind::Clone {
            target: CloneTarget::Disk("/dev/disk/by-id/ata-SPARE".into())
        }
    );
    let image = kind_of("kind = \"clone\"\ntarget = { image = \"kiln.img\", size = \"64 GB\" }");
    let target = CloneTarget::Image {
        file: "kiln.img".into(),
        size: Size(64_000_000_000),
    };
    assert_eq!(image, Kind::Clone { target });
}

#[test]
fn exports_of_a_directory_databases_and_settings_are_read() {
    let recipients = Encrypt::Recipients(vec![RECIPIENT.to_owned()]);
    let encrypt = format!("encrypt = {{ recipients = [\"{RECIPIENT}\"] }}");
    let directory = format!(
        "kind = \"directory\"\nservice = \"slapd\"\ndatabases = [\"config\", \"dc=studio,dc=example\"]\n{encrypt}"
    );
    let databases = vec!["config".to_owned(), "dc=studio,dc=example".to_owned()];
    assert_eq!(
        kind_of(&directory),
        Kind::Directory(Directory {
            service: "slapd".to_owned(),
            databases,
            config: "/etc/ldap/slapd.d".into(),
            uri: "ldapi:///".to_owned(),
            control: Control::default(),
            login: None,
            encrypt: recipients.clone()
        })
    );
    let settings = kind_of(&format!("kind = \"settings\"\n{encrypt}"));
    assert_eq!(
        settings,
        Kind::Settings {
            encrypt: recipients
        }
    );
    for (keys, engine) in [
        (
            "engine = \"postgresql\"",
            Engine::Postgresql(LocalServer::postgresql()),
        ),
        (
            "engine = \"postgresql\"\nsocket = \"/run/clay/\"\nport = 5433\nuser = \"ines\"",
            Engine::Postgresql(LocalServer {
                name: None,
                socket: "/run/clay".into(),
                port: 5433,
                user: "ines".to_owned(),
            }),
        ),
        (
            "engine = \"mariadb\"\nname = \"orders\"",
            Engine::Mariadb(LocalServer {
                name: Some("orders".to_owned()),
                ..LocalServer::mariadb()
            }),
        ),
        (
            "engine = \"sqlite\"\nfile = \"/srv/orders.db\"",
            Engine::Sqlite {
                file: "/srv/orders.db".into(),
            },
        ),
    ] {
        let kind = kind_of(&format!("kind = \"database\"\n{keys}"));
        assert_eq!(
            kind,
            Kind::Database {
                engine,
                encrypt: None
            }
        );
    }
}

#[test]
fn other_files_and_hidden_ones_are_passed_over() {
    let folder = ConfigFolder::new()
        .with("jobs/studio.toml", HISTORY)
        .with("jobs/.hidden.toml", "=")
        .with("jobs/notes.txt", "=")
        .with("jobs/studio.toml~", "=");
    assert_eq!(folder.load().config.jobs.len(), 1);
}

#[test]
fn a_job_that_cannot_run_yet_loads_with_a_warning() {
    let folder = ConfigFolder::new().with(
        "jobs/all.toml",
        "kind = \"clone\"\ndrive = \"shelf\"\ntarget = { disk = \"/dev/disk/by-id/ata-SPARE\" }\n",
    );
    let expected = "\
warning: this version reads jobs of kind `clone`, but cannot run them yet
 --> jobs/all.toml:1:8
  |
1 | kind = \"clone\"
  |        ^^^^^^^
";
    folder.load();
    assert_eq!(folder.shown(), expected);
}

#[test]
fn risks_are_warned_of_and_do_not_stop_loading() {
    let server = format!(
        "{SERVER}[mail]\nsmtp = \"smtp://ines@mail.example\"\npassword_file = \"{{dir}}/pass\"\nfrom = \"a@b.example\"\nto = [\"c@d.example\"]\n"
    );
    let keep = "[[keep]]\nevery = \"1 day\"\nfor = \"1 week\"\n";
    let folder = ConfigFolder::new()
        .with_secret("pass")
        .with("server.toml", &server)
        .with("jobs/a.toml", HISTORY)
        .with("jobs/b.toml", &format!("kind = \"history\"\nsource = [\"/mnt/shelf/landing\"]\ndrive = \"shelf\"\nafter = [\"a\"]\n{keep}"))
        .with("jobs/c.toml", &format!("kind = \"history\"\nsource = [\"/\"]\ndrive = \"shelf\"\n{keep}"));
    folder.load();
    let shown = folder.shown();
    for part in [
        "the password would cross the network unencrypted",
        "every generation is kept until the drive is full",
        "`/mnt/shelf/landing` lies on the drive `shelf` itself",
        "`a` has no `schedule`",
        "the drive `shelf` lies within the source `/`",
    ] {
        assert!(shown.contains(part), "{part}\n{shown}");
    }
    assert_eq!(shown.matches("warning:").count(), 5, "{shown}");
}
