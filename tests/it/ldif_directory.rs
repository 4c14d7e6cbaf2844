//! A directory of a test's own, kept by `OpenLDAP` in a scratch folder; its slapd listens on a socket there only.

use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

use crate::world::{ok, skip};

/// What the directory holds lies below it.
pub const BASE: &str = "dc=studio,dc=example";

pub struct Directory {
    folder: TempDir,
    server: Option<Child>,
}

impl Drop for Directory {
    fn drop(&mut self) {
        if let Some(server) = &mut self.server {
            let _ = server.kill();
            let _ = server.wait();
        }
    }
}

impl Directory {
    /// Empty; `None` where `OpenLDAP` is not installed.
    pub fn new() -> Option<Self> {
        let programs = [
            "/usr/sbin/slapd",
            "/usr/sbin/slapadd",
            "/usr/sbin/slapcat",
            "/usr/bin/ldapmodify",
        ];
        if !programs.iter().all(|program| fs::exists(program).unwrap()) {
            skip("slapd and ldap-utils are not installed");
            return None;
        }
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().to_str().unwrap();
        fs::create_dir(folder.path().join("data")).unwrap();
        // slapd.conf(5)
        let mut settings = String::new();
        for schema in ["core", "cosine", "inetorgperson"] {
            writeln!(settings, "include /etc/ldap/schema/{schema}.schema").unwrap();
        }
        settings.push_str("modulepath /usr/lib/ldap\n");
        // the overlays only bring their schema
        for module in [
            "back_mdb",
            "ppolicy",
            "memberof",
            "dds",
            "otp",
            "lastbind",
            "accesslog",
            "syncprov",
        ] {
            writeln!(settings, "moduleload {module}").unwrap();
        }
        write!(
            settings,
            "pidfile {path}/pid\ndatabase mdb\nsuffix {BASE}\nrootdn cn=admin,{BASE}\nrootpw kiln\n\
             directory {path}/data\nmaxsize 268435456\n"
        )
        .unwrap();
        fs::write(folder.path().join("slapd.conf"), settings).unwrap();
        fs::write(folder.path().join("password"), "kiln").unwrap();
        let server = None;
        Some(Self { folder, server })
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn add(&self, text: &[u8]) {
        fs::write(self.path("add.ldif"), text).unwrap();
        let mut slapadd = Command::new("/usr/sbin/slapadd");
        slapadd.arg("-f").arg(self.path("slapd.conf"));
        ok(slapadd.arg("-l").arg(self.path("add.ldif")));
    }

    pub fn export(&self) -> Vec<u8> {
        let mut slapcat = Command::new("/usr/sbin/slapcat");
        ok(slapcat.arg("-f").arg(self.path("slapd.conf"))).stdout
    }

    fn url(&self) -> String {
        let path = self.path("socket");
        format!("ldapi://{}", path.to_str().unwrap().replace('/', "%2F"))
    }

    pub fn start(&mut self) {
        let mut slapd = Command::new("/usr/sbin/slapd");
        slapd
            .args(["-d", "0", "-h", &self.url(), "-f"])
            .arg(self.path("slapd.conf"));
        self.server = Some(slapd.stderr(Stdio::null()).spawn().unwrap());
        let begun = Instant::now();
        while !self
            .search("", "namingContexts")
            .status()
            .unwrap()
            .success()
        {
            assert!(
                begun.elapsed() < Duration::from_secs(30),
                "slapd does not answer"
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    pub fn search(&self, base: &str, attribute: &str) -> Command {
        let mut search = Command::new("/usr/bin/ldapsearch");
        search.args([
            "-x",
            "-LLL",
            "-H",
            &self.url(),
            "-s",
            "base",
            "-b",
            base,
            attribute,
        ]);
        search.stdout(Stdio::null()).stderr(Stdio::null());
        search
    }

    pub fn modify(&self, text: &[u8]) {
        fs::write(self.path("modify.ldif"), text).unwrap();
        let mut modify = Command::new("/usr/bin/ldapmodify");
        modify.args([
            "-x",
            "-H",
            &self.url(),
            "-D",
            &format!("cn=admin,{BASE}"),
            "-y",
        ]);
        ok(modify
            .arg(self.path("password"))
            .arg("-f")
            .arg(self.path("modify.ldif")));
    }
}
