//! A slapd(8) of the test's own: its configuration, its data and its socket in a folder of the world, without network.

use std::fmt::Write as _;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use base64::prelude::{BASE64_STANDARD, Engine as _};

use crate::random::Random;
use crate::world::{World, ok, skip};

/// Of the administrator of the test's directory, and of each of its people.
pub const PASSWORD: &str = "celadon and ash";
pub const SUFFIX: &str = "dc=studio,dc=example";

/// It is stopped when it is dropped.
pub struct DirectoryServer {
    pub folder: PathBuf,
}

impl DirectoryServer {
    /// A directory with this many people, running; nothing where that cannot be.
    pub fn new(world: &World, people: u32) -> Option<Self> {
        if Command::new("slapd").arg("-V").output().is_err() {
            skip("needs slapd");
            return None;
        }
        let server = Self::empty(world, "directory");
        server.load("dc=studio,dc=example", &data(people));
        server.own();
        server.start();
        Some(server)
    }

    /// One that was set up, and holds nothing.
    pub fn empty(world: &World, name: &str) -> Self {
        // the account of the service comes through here
        let open = fs::Permissions::from_mode(0o711);
        fs::set_permissions(world.path(""), open).unwrap();
        let server = Self {
            folder: world.path(name),
        };
        for folder in ["slapd.d", "data", "run"] {
            fs::create_dir_all(server.folder.join(folder)).unwrap();
        }
        server.load_config();
        server.own();
        server.scripts();
        server
    }

    /// All its files are those of its account.
    pub fn own(&self) {
        ok(Command::new("chown")
            .args(["-R", "openldap:openldap"])
            .arg(&self.folder));
        for folder in ["slapd.d", "data"] {
            let closed = fs::Permissions::from_mode(0o750);
            fs::set_permissions(self.folder.join(folder), closed).unwrap();
        }
    }

    fn load_config(&self) {
        let mut text = config(&self.folder);
        for schema in ["core", "cosine", "nis", "inetorgperson"] {
            let schema = fs::read_to_string(format!("/etc/ldap/schema/{schema}.ldif")).unwrap();
            text.push_str(&schema);
            text.push('\n');
        }
        text.push_str(&databases(&self.folder));
        self.slapadd(&["-n", "0"], &text);
    }

    /// Loads LDIF while it does not run.
    pub fn load(&self, suffix: &str, ldif: &str) {
        self.slapadd(&["-q", "-b", suffix], ldif);
    }

    fn slapadd(&self, which: &[&str], ldif: &str) {
        let file = self.folder.join("load.ldif");
        fs::write(&file, ldif).unwrap();
        ok(Command::new("slapadd")
            .arg("-F")
            .arg(self.config())
            .args(which)
            .arg("-l")
            .arg(&file));
        fs::remove_file(file).unwrap();
    }

    pub fn config(&self) -> PathBuf {
        self.folder.join("slapd.d")
    }

    pub fn data(&self) -> PathBuf {
        self.folder.join("data")
    }

    pub fn uri(&self) -> String {
        let socket = self.folder.join("run/ldapi");
        format!("ldapi://{}", socket.to_str().unwrap().replace('/', "%2F"))
    }

    /// What the job file of hayloft says of it.
    pub fn keys(&self) -> String {
        let folder = self.folder.display();
        format!(
            "service = \"slapd\"\ndatabases = [\"config\", \"{SUFFIX}\"]\nconfig = \"{folder}/slapd.d\"\n\
             uri = \"{}\"\nstop = [\"{folder}/stop\"]\nstart = [\"{folder}/start\"]\n",
            self.uri()
        )
    }

    /// The job `accounts`, which exports it.
    pub fn job(&self, world: &World) {
        self.job_with(world, "");
    }

    /// With more keys.
    pub fn job_with(&self, world: &World, more: &str) {
        world.secret("passphrase", "glaze over ash\n");
        let text = format!(
            "kind = \"directory\"\nabout = \"Accounts\"\ndrive = \"shelf\"\n{}{more}\
             encrypt = {{ passphrase_file = \"{{dir}}/config/passphrase\" }}\n",
            self.keys()
        );
        world.job("accounts", &text);
    }

    /// Programs that do what the unit of systemd would.
    fn scripts(&self) {
        let folder = self.folder.display();
        let start = format!(
            "#!/bin/sh\n[ -e {folder}/run/pid ] && kill -0 $(cat {folder}/run/pid) 2>/dev/null && exit 0\nexec slapd -h '{}' -u openldap -g openldap -F {folder}/slapd.d\n",
            self.uri()
        );
        let stop = format!(
            "#!/bin/sh\n[ -e {folder}/run/pid ] || exit 0\npid=$(cat {folder}/run/pid)\nkill $pid || exit 0\n\
             while kill -0 $pid 2>/dev/null; do sleep 0.05; done\nrm -f {folder}/run/pid\n"
        );
        for (name, text) in [("start", start), ("stop", stop)] {
            let path = self.folder.join(name);
            fs::write(&path, text).unwrap();
            fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
        }
    }

    pub fn start(&self) {
        let status = Command::new(self.folder.join("start"))
            .stdin(Stdio::null())
            .status()
            .unwrap();
        assert!(status.success());
        let end = Instant::now() + Duration::from_secs(20);
        while !self.answers() {
            assert!(Instant::now() < end, "slapd does not answer");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    pub fn stop(&self) {
        ok(&mut Command::new(self.folder.join("stop")));
    }

    /// Whether it answers, and lets a person log in.
    pub fn answers(&self) -> bool {
        let root = Command::new("ldapsearch")
            .args([
                "-LLL",
                "-x",
                "-H",
                &self.uri(),
                "-s",
                "base",
                "-b",
                "",
                "1.1",
            ])
            .output()
            .unwrap();
        root.status.success()
    }

    /// As its administrator.
    pub fn ldap(&self, program: &str, arguments: &[&str]) -> Command {
        let mut command = Command::new(program);
        command
            .args(["-x", "-H", &self.uri(), "-D", &format!("cn=admin,{SUFFIX}")])
            .args(["-w", PASSWORD])
            .args(arguments);
        command
    }

    /// Everything in a database, as slapcat tells it.
    pub fn slapcat(&self, which: &[&str]) -> String {
        let out = ok(Command::new("slapcat")
            .arg("-F")
            .arg(self.config())
            .args(["-o", "ldif_wrap=no"])
            .args(which));
        String::from_utf8(out.stdout).unwrap()
    }
}

impl Drop for DirectoryServer {
    fn drop(&mut self) {
        let _ = Command::new(self.folder.join("stop")).output();
    }
}

fn config(folder: &Path) -> String {
    let folder = folder.display();
    format!(
        "dn: cn=config\nobjectClass: olcGlobal\ncn: config\nolcPidFile: {folder}/run/pid\n\
         olcArgsFile: {folder}/run/args\n\n\
         dn: cn=module{{0}},cn=config\nobjectClass: olcModuleList\ncn: module{{0}}\n\
         olcModulePath: /usr/lib/ldap\nolcModuleLoad: back_mdb\nolcModuleLoad: memberof\n\n\
         dn: cn=schema,cn=config\nobjectClass: olcSchemaConfig\ncn: schema\n\n"
    )
}

fn databases(folder: &Path) -> String {
    let folder = folder.display();
    let by_root = "by dn.exact=gidNumber=0+uidNumber=0,cn=peercred,cn=external,cn=auth manage";
    format!(
        "dn: olcDatabase={{-1}}frontend,cn=config\nobjectClass: olcDatabaseConfig\n\
         objectClass: olcFrontendConfig\nolcDatabase: {{-1}}frontend\nolcAccess: {{0}}to * {by_root} by * break\n\n\
         dn: olcDatabase={{0}}config,cn=config\nobjectClass: olcDatabaseConfig\nolcDatabase: {{0}}config\n\
         olcAccess: {{0}}to * {by_root} by * break\n\n\
         dn: olcDatabase={{1}}mdb,cn=config\nobjectClass: olcDatabaseConfig\nobjectClass: olcMdbConfig\n\
         olcDatabase: {{1}}mdb\nolcSuffix: {SUFFIX}\nolcDbDirectory: {folder}/data\n\
         olcDbMaxSize: 1073741824\nolcRootDN: cn=admin,{SUFFIX}\nolcRootPW: {PASSWORD}\n\
         olcDbIndex: objectClass eq\nolcDbIndex: uid eq\nolcDbIndex: cn,sn eq,sub\nolcLastMod: TRUE\n\
         olcAccess: {{0}}to attrs=userPassword {by_root} by self write by anonymous auth by * none\n\
         olcAccess: {{1}}to * {by_root} by * read\n\n"
    )
}

/// A studio of people with photographs, names from everywhere and passwords, and their groups.
pub fn data(people: u32) -> String {
    let mut random = Random::new("DIRECTORY_SEED");
    let mut text = format!(
        "dn: {SUFFIX}\nobjectClass: dcObject\nobjectClass: organization\ndc: studio\no: The studio\n\n\
         dn: ou=people,{SUFFIX}\nobjectClass: organizationalUnit\nou: people\n\n\
         dn: ou=groups,{SUFFIX}\nobjectClass: organizationalUnit\nou: groups\n\n"
    );
    let password = hashed();
    let sorts = [
        "Inês",
        "Bruno",
        "Łucja",
        "Сергей",
        "さくら",
        "Zoë",
        "Ana \"Barro\"",
        "João, o Velho",
    ];
    for number in 0..people {
        let sort = sorts[number as usize % sorts.len()];
        let dn = format!("uid=p{number},ou=people,{SUFFIX}");
        // every tenth is named by a common name, with what must be written in base64 or escaped (RFC 4514)
        let escaped = sort.replace('"', "\\\"").replace(',', "\\,");
        let dn = if number % 10 == 7 {
            format!("cn={escaped} {number},ou=people,{SUFFIX}")
        } else {
            dn
        };
        let photograph: Vec<u8> = (0..random.below(4000) + 200)
            .map(|_| u8::try_from(random.below(256)).unwrap())
            .collect();
        let _ = writeln!(
            text,
            "dn:: {}\nobjectClass: inetOrgPerson\nobjectClass: posixAccount\nuid: p{number}\n\
             cn:: {}\nsn:: {}\nuidNumber: {}\ngidNumber: 5000\nhomeDirectory: /home/p{number}\n\
             userPassword:: {}\njpegPhoto:: {}\ndescription:: {}\n",
            base64(dn.as_bytes()),
            base64(format!("{sort} {number}").as_bytes()),
            base64(sort.as_bytes()),
            20000 + number,
            base64(password.as_bytes()),
            base64(&photograph),
            base64(format!(" of the wheel, number {number}\nsecond line ").as_bytes()),
        );
    }
    for group in 0..people.div_ceil(100) {
        let _ = write!(
            text,
            "dn: cn=g{group},ou=groups,{SUFFIX}\nobjectClass: posixGroup\ncn: g{group}\ngidNumber: {}\n",
            6000 + group
        );
        for member in (group * 100..people).take(100) {
            let _ = writeln!(text, "memberUid: p{member}");
        }
        text.push('\n');
    }
    text
}

fn base64(bytes: &[u8]) -> String {
    BASE64_STANDARD.encode(bytes)
}

/// By slappasswd(8), with a salt.
fn hashed() -> String {
    let out = ok(Command::new("slappasswd").args(["-n", "-s", PASSWORD]));
    String::from_utf8(out.stdout).unwrap()
}
