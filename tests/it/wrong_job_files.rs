//! Job files with mistakes: each is told at its place, with what is allowed and what was likely meant.

use crate::config_folder::{ConfigFolder, HISTORY, Wrong, assert_wrong};

/// Each text stands below the three lines of a right history job.
#[rustfmt::skip] // one mistake a line
const KEYS: &[Wrong<'_>] = &[
    ("shedule = \"30 2 * * *\"", "4:1", "unknown key `shedule`", "schedule, catch_up", "schedule"),
    ("glaze = 1", "4:1", "unknown key `glaze`", "kind, drive", ""),
    ("Cap = \"1 TB\"", "4:1", "unknown key `Cap`", "cap", "cap"),
    ("cap = 20", "4:7", "takes text in quotes, not a whole number", "a number and a unit", "\"20\""),
    ("cap = \"20\"", "4:7", "has no unit", "a number and a unit", "20 GB"),
    ("cap = \"20 gb\"", "4:11", "`gb` is no unit", "kB, MB, GB", "20 GB"),
    ("cap = \"1,5 TB\"", "4:8", "the decimal sign is a point", "a number and a unit", "1.5 TB"),
    ("cap = \"-1 TB\"", "4:7", "negative", "a number and a unit", ""),
    ("cap = \"0 TB\"", "4:7", "is nothing", "more than 0 bytes", ""),
    ("cap = \"99999 PB\"", "4:7", "larger than any drive", "a number and a unit", ""),
    ("cap = \"99999999999999999999 B\"", "4:8", "too large", "a number and a unit", ""),
    ("change_guard = \"130 %\"", "4:16", "more than all", "from 1 to 100", ""),
    ("change_guard = \"30\"", "4:16", "no percentage", "from 1 to 100", "30 %"),
    ("change_guard = \"-3 %\"", "4:16", "negative", "from 1 to 100", ""),
    ("timeout = \"6 h\"", "4:14", "`h` is no unit of time", "hours, days", "6 hours"),
    ("timeout = \"0 hours\"", "4:11", "no time at all", "a whole number and a unit", ""),
    ("rpo = \"1.5 days\"", "4:7", "not a whole number", "36 hours", ""),
    ("rto = \"9999999999 years\"", "4:7", "longer than 1000 years", "a whole number and a unit", ""),
    ("catch_up = \"true\"", "4:12", "takes true or false, not text", "without quotes", "true"),
    ("after = \"studio\"", "4:9", "takes a list, not text", "a list of names", "[\"studio\"]"),
    ("about = 3.5", "4:9", "not a number with a fraction", "a few words", "\"3.5\""),
    ("exclude = [\"\"]", "4:12", "the pattern is empty", "*.tmp", ""),
    ("exclude = [\"**/cache\"]", "4:13", "`**` is not known", "*.tmp", "cache"),
    ("exclude = [\"*.tmp\", \"+ x\"]", "4:22", "cannot begin with `+ `", r"'\+ …'", ""),
    ("exclude = [\"../x\"]", "4:12", "never matches", "*.tmp", ""),
    ("exclude = [\"/\"]", "4:12", "leaves out everything", "*.tmp", ""),
    ("about = \"a\\u0000b\"", "4:9", "NUL", "no path, argument or variable", ""),
    ("exclude = [\"a\\u0000b\"]", "4:12", "NUL", "no path, argument or variable", ""),
    ("target = { disk = \"/dev/sdb\" }", "4:1", "`target` does not belong to a job of kind `history`", "clone", ""),
    ("encrypt = { recipients = [] }", "4:1", "does not belong", "plain files", ""),
    ("service = \"slapd\"", "4:1", "does not belong", "directory", ""),
    ("kind = \"mirror\"", "4:1", "`kind` is written twice", "keep one of the two", ""),
    ("schedule = \"30 2 * *\"", "4:13", "five fields", "", ""),
    ("rehearse = 5", "4:12", "takes text", "five fields", "\"5\""),
];

#[rustfmt::skip] // one mistake a line
const LISTS: &[Wrong<'_>] = &[
    ("[[keep]]\nevery = \"1 day\"", "4:1", "`[[keep]]` has no `for`", "how long", ""),
    ("[[keep]]\nevery = \"1 week\"\nfor = \"1 day\"", "6:7", "keeps nothing", "at least as long", ""),
    ("[[keep]]\nevery = \"1 dya\"\nfor = \"1 week\"", "5:12", "`dya` is no unit", "days", "1 day"),
    ("[[keep]]\nevery = \"1 day\"\nfor = \"1 week\"\ncap = \"1 TB\"", "7:1", "stands below a `[[…]]` line", "above the first", ""),
    ("[keep]\nevery = \"1 day\"\nfor = \"1 week\"", "4:1", "takes a list, not a table", "`[[keep]]`", ""),
    ("[[pre]]\nrun = []", "5:7", "`run` is empty", "a program and its arguments", ""),
    ("[[pre]]\nrun = [\"\"]", "5:8", "the program is empty", "a program and its arguments", ""),
    ("[[pre]]\nrun = \"systemctl stop orders\"", "5:7", "takes a list", "a program and its arguments", "[\"systemctl stop orders\"]"),
    ("[[pre]]\nrun = [\"systemctl stop\"]", "5:8", "no shell splits it", "a program", "\"systemctl\", \"stop\""),
    ("[[pre]]\nrun = [\"./stop\"]", "5:8", "depends on the working folder", "absolute path", ""),
    ("[[pre]]\nrun = [\"stop\", 5]", "5:16", "takes text", "a program", "\"5\""),
    ("[[pre]]\nrun = [\"stop\"]\nuser = \"\"", "6:8", "the user is empty", "leave the key `user` out", ""),
    ("[[pre]]\nrun = [\"stop\"]\nuser = \"-x\"", "6:8", "no user name", "letters, digits", ""),
    ("[[pre]]\nrun = [\"stop\"]\non = \"always\"", "6:1", "`on` belongs to `[[post]]`", "run, user, env, timeout", ""),
    ("[[post]]\nrun = [\"start\"]\non = \"allways\"", "6:6", "`allways` is no `on`", "always, success, failure", "always"),
    ("[[post]]\nuser = \"ines\"", "4:1", "`[[post]]` has no `run`", "systemctl", ""),
    ("[[post]]\nrun = [\"start\"]\nenv = { LANG = 1 }", "6:16", "takes text", "LANG", "\"1\""),
    ("[[post]]\nrun = [\"start\"]\nenv = { \"A=B\" = \"x\" }", "6:9", "cannot be the name of a variable", "without `=`", ""),
    ("[[post]]\nrun = [\"start\"]\ncommand = \"x\"", "6:1", "unknown key `command`", "run, user, env, timeout, on", ""),
    ("[[post]]\nrun = [\"start\"]\ndrive = \"shelf\"", "6:1", "is a key of the job", "above the first", ""),
];

/// Whole files.
#[rustfmt::skip] // one mistake a line
const WHOLE: &[Wrong<'_>] = &[
    ("drive = \"shelf\"", "1:1", "the job has no `kind`", "history, mirror", ""),
    ("kind = \"histroy\"\nsource = [\"/srv\"]\ndrive = \"shelf\"", "1:8", "no kind of job", "history, mirror", "history"),
    ("kind = \"history\"\ndrive = \"shelf\"", "1:8", "has no `source`", "a list of absolute paths", ""),
    ("kind = \"history\"\nsource = [\"/srv\"]", "1:8", "has no `drive`", "server.toml", ""),
    ("kind = \"history\"\nsource = \"/srv\"\ndrive = \"shelf\"", "2:10", "takes a list", "absolute paths", "[\"/srv\"]"),
    ("kind = \"history\"\nsource = []\ndrive = \"shelf\"", "2:10", "nothing would be copied", "absolute paths", ""),
    ("kind = \"history\"\nsource = [\"srv\"]\ndrive = \"shelf\"", "2:11", "not an absolute path", "such as", ""),
    ("kind = \"history\"\nsource = [\"~/x\"]\ndrive = \"shelf\"", "2:11", "not an absolute path", "`~` is not expanded", ""),
    ("kind = \"history\"\nsource = [\"/srv/../etc\"]\ndrive = \"shelf\"", "2:11", "holds `..`", "symbolic links", ""),
    ("kind = \"history\"\nsource = [\"/srv\", \"/srv/\"]\ndrive = \"shelf\"", "2:19", "is given twice", "each path once", ""),
    ("kind = \"history\"\nsource = [\"/srv\", \"/srv/studio\"]\ndrive = \"shelf\"", "2:19", "lies within the other", "keep the outer one", ""),
    ("kind = \"history\"\nsource = [\"/srv\"]\ndrive = \"shelv\"", "3:9", "unknown drive `shelv`", "shelf", "shelf"),
    ("kind = \"history\"\nsource = { ssh = \"laptop\", path = \"/home\" }\ndrive = \"shelf\"", "2:18", "has no `user@`", "ines@laptop.example", ""),
    ("kind = \"history\"\nsource = { ssh = \"ines@lap:22\", path = \"/home\" }\ndrive = \"shelf\"", "2:24", "more than a host", "`port`", ""),
    ("kind = \"history\"\nsource = { ssh = \"ines@-oProxy\", path = \"/home\" }\ndrive = \"shelf\"", "2:24", "no host name", "ines@laptop.example", ""),
    ("kind = \"history\"\nsource = { ssh = \"ines@lap\" }\ndrive = \"shelf\"", "2:10", "`source` has no `path`", "/home/ines", ""),
    ("kind = \"history\"\nsource = { ssh = \"ines@lap\", path = \"home\" }\ndrive = \"shelf\"", "2:37", "not an absolute path", "such as", ""),
    ("kind = \"history\"\nsource = { ssh = \"ines@lap\", path = \"/home\", port = 70000 }\ndrive = \"shelf\"", "2:53", "out of range", "1 to 65535", ""),
    ("kind = \"history\"\nsource = { ssh = \"ines@lap\", pth = \"/h\", path = \"/home\" }\ndrive = \"shelf\"", "2:30", "unknown key `pth`", "ssh, port, identity, path", "path"),
    ("kind = \"history\"\nsource = { ssh = \"ines@lap\", path = \"/home\", identity = \"/nowhere/key\" }\ndrive = \"shelf\"", "2:57", "there is no file `/nowhere/key`", "0600", ""),
    ("kind = \"mirror\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\n[[keep]]\nevery = \"1 day\"\nfor = \"1 week\"", "4:3", "`keep` does not belong to a job of kind `mirror`", "make it a history", ""),
    ("kind = \"mirror\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\ncap = \"1 TB\"", "4:1", "`cap` does not belong", "history, archive", ""),
    ("kind = \"mirror\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nafter = [\"studio\"]", "4:10", "`studio` waits for itself", "could ever run", ""),
    ("kind = \"mirror\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nafter = [\"accounts\"]", "4:10", "unknown job `accounts`", "named by its file", ""),
    ("kind = \"archive\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nencrypt = {}", "4:11", "has none of", "passphrase_file", ""),
    ("kind = \"archive\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nencrypt = { recipients = [] }", "4:26", "nobody could open", "age public keys", ""),
    ("kind = \"archive\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nencrypt = { recipients = [\"age1xyz\"] }", "4:27", "is damaged", "age-keygen -y", ""),
    ("kind = \"archive\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nencrypt = { recipients = [\"ines\"] }", "4:27", "no age public key", "age1", ""),
    ("kind = \"archive\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nencrypt = { recipient = [\"x\"], passphrase_file = \"{dir}/pass\" }", "4:13", "unknown key `recipient`", "passphrase_file, recipients", "recipients"),
    ("kind = \"archive\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nencrypt = { recipients = [\"age1ql3z7hjy54pw3hyww5ayyfg7zqgvc7w3j2elw8zmrj2kg5sfn9aqmcac8p\"], passphrase_file = \"{dir}/pass\" }", "4:11", "has more than one of", "or {", ""),
    ("kind = \"archive\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nencrypt = { passphrase_file = \"{dir}/empty\" }", "4:31", "is empty", "first line", ""),
    ("kind = \"archive\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nencrypt = { passphrase_file = \"{dir}/open\" }", "4:31", "open to others (mode 0644)", "chmod 600", ""),
    ("kind = \"archive\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nencrypt = { passphrase_file = \"pass\" }", "4:31", "not an absolute path", "such as", ""),
    ("kind = \"clone\"\ndrive = \"shelf\"", "1:8", "has no `target`", "disk", ""),
    ("kind = \"clone\"\ndrive = \"shelf\"\ntarget = { disk = \"/dev/sdb\" }", "3:19", "another disk after the next start", "/dev/disk/by-id", ""),
    ("kind = \"clone\"\ndrive = \"shelf\"\ntarget = { image = \"../kiln.img\", size = \"64 GB\" }", "3:20", "holds `..`", "kiln.img", ""),
    ("kind = \"clone\"\ndrive = \"shelf\"\ntarget = { image = \"kiln.img\" }", "3:10", "`target` has no `size`", "a number and a unit", ""),
    ("kind = \"clone\"\ndrive = \"shelf\"\ntarget = { size = \"64 GB\" }", "3:10", "has neither of `disk` and `image`", "disk", ""),
    ("kind = \"clone\"\ndrive = \"shelf\"\nsource = [\"/\"]\ntarget = { image = \"kiln.img\", size = \"64 GB\" }", "3:1", "`source` does not belong", "knows by itself", ""),
    ("kind = \"directory\"\ndrive = \"shelf\"\nservice = \"slapd\"\nencrypt = { credential = \"accounts\" }", "1:8", "has no `databases`", "config", ""),
    ("kind = \"directory\"\ndrive = \"shelf\"\ndatabases = [\"config\"]\nencrypt = { credential = \"accounts\" }", "1:8", "has no `service`", "slapd", ""),
    ("kind = \"directory\"\ndrive = \"shelf\"\nservice = \"slapd\"\ndatabases = []\nencrypt = { credential = \"accounts\" }", "4:13", "nothing would be exported", "config", ""),
    ("kind = \"directory\"\ndrive = \"shelf\"\nservice = \"slapd\"\ndatabases = [\"config\"]", "1:8", "has no `encrypt`", "password hashes", ""),
    ("kind = \"directory\"\ndrive = \"shelf\"\nservice = \"ldap\"\ndatabases = [\"config\"]\nencrypt = { credential = \"accounts\" }", "3:11", "is no directory service", "slapd", ""),
    ("kind = \"directory\"\ndrive = \"shelf\"\nservice = \"slapd\"\ndatabases = [\"cn=config\"]\nencrypt = { credential = \"accounts\" }", "4:14", "is written `config`", "dc=studio", ""),
    ("kind = \"directory\"\ndrive = \"shelf\"\nservice = \"slapd\"\ndatabases = [\"studio\"]\nencrypt = { credential = \"accounts\" }", "4:14", "is no suffix", "dc=studio", ""),
    ("kind = \"directory\"\ndrive = \"shelf\"\nservice = \"slapd\"\ndatabases = [\"config\", \"config\"]\nencrypt = { credential = \"accounts\" }", "4:13", "named twice", "dc=studio", ""),
    ("kind = \"directory\"\ndrive = \"shelf\"\nservice = \"slapd\"\ndatabases = [\"config\"]\nuri = \"ldap://kiln\"\nencrypt = { credential = \"accounts\" }", "5:7", "is no local socket", "ldapi", ""),
    ("kind = \"directory\"\ndrive = \"shelf\"\nservice = \"slapd\"\ndatabases = [\"config\"]\nlogin = { dn = \"cn=a\" }\nencrypt = { credential = \"accounts\" }", "5:9", "has no `password_file`", "uid=ines", ""),
    ("kind = \"settings\"\ndrive = \"shelf\"", "1:8", "has no `encrypt`", "password hashes", ""),
    ("kind = \"settings\"\ndrive = \"shelf\"\nencrypt = { credential = \"../x\" }", "3:26", "is no name of a credential", "accounts", ""),
    ("kind = \"database\"\ndrive = \"shelf\"\nengine = \"postgres\"", "3:10", "`postgres` is no `engine`", "postgresql, mariadb, sqlite", "postgresql"),
    ("kind = \"database\"\ndrive = \"shelf\"\nengine = \"sqlite\"", "1:8", "has no `file`", "absolute path", ""),
    ("kind = \"database\"\ndrive = \"shelf\"\nengine = \"mariadb\"\nfile = \"/srv/x.db\"", "4:8", "only sqlite has a `file`", "`name` with", ""),
    ("kind = \"database\"\ndrive = \"shelf\"\nengine = \"sqlite\"\nfile = \"/x.db\"\nsocket = \"/run/x\"", "5:10", "no server to ask", "`socket` and `user`", ""),
    ("kind = \"database\"\ndrive = \"shelf\"\nengine = \"mariadb\"\nport = 5432", "4:8", "only the socket of postgresql", "`port` with postgresql", ""),
    ("kind = \"database\"\ndrive = \"shelf\"\nengine = \"postgresql\"\nport = 65536", "4:8", "`65536` is out of range", "1 to 65535", ""),
    ("kind = \"database\"\ndrive = \"shelf\"\nengine = \"postgresql\"\nuser = \"-u root\"", "4:8", "no user name", "letters", ""),
    ("kind = \"database\"\ndrive = \"shelf\"\nengine = \"postgresql\"\nsocket = \"pg\"", "4:10", "not an absolute path", "absolute", ""),
    ("kind = \"database\"\ndrive = \"shelf\"\nengine = \"sqlite\"\nfile = \"/x.db\"\nname = \"orders\"", "5:8", "not a `name`", "`file` with sqlite", ""),
    ("kind = \"database\"\ndrive = \"shelf\"\nengine = \"postgresql\"\nname = \"--all\"", "4:8", "is no name", "one database", ""),
];

#[rustfmt::skip] // one mistake a line
const SYNTAX: &[Wrong<'_>] = &[
    ("kind = history\nsource = [\"/srv\"]\ndrive = \"shelf\"", "1:8", "text must stand in quotes", "text in quotes", "\"history\""),
    ("kind = \"history\nsource = [\"/srv\"]\ndrive = \"shelf\"", "1:16", "the closing quote is missing", "\"", ""),
    ("kind = \"history\"\nsource = [\"/srv\"\ndrive = \"shelf\"", "2:17", "missing comma", "`,`", ""),
    ("kind = \"history\"\nsource = [\"/srv\"]\ndrive =", "3:8", "a value is missing", "text in quotes", ""),
    ("kind = \"history\"\nsource = [\"/srv\"]\ndrive \"shelf\"", "3:7", "key with no value", "=", ""),
    ("kind = \"history\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\n[[keep]\nevery = \"1 day\"", "4:8", "unclosed array table", "]", ""),
    ("kind = \"history\"\nsource = [\"C:\\data\"]\ndrive = \"shelf\"", "2:15", "escape", "`b`", ""),
];

fn job(text: &str) -> ConfigFolder {
    let folder = ConfigFolder::new()
        .with_secret("pass")
        .with("open", "x")
        .with("empty", "");
    folder
        .with_mode("empty", 0o600)
        .with("jobs/studio.toml", text)
}

#[test]
fn a_wrong_key_or_value_is_told_at_its_place() {
    assert_wrong(KEYS, "jobs/studio.toml", |text| {
        job(&format!("{HISTORY}{text}\n"))
    });
}

#[test]
fn a_wrong_retention_rule_or_step_is_told_at_its_place() {
    assert_wrong(LISTS, "jobs/studio.toml", |text| {
        job(&format!("{HISTORY}{text}\n"))
    });
}

#[test]
fn a_job_that_lacks_something_or_has_what_is_not_its_own_is_told() {
    assert_wrong(WHOLE, "jobs/studio.toml", |text| job(&format!("{text}\n")));
}

#[test]
fn a_syntax_error_is_told_once_and_without_those_that_follow_from_it() {
    assert_wrong(SYNTAX, "jobs/studio.toml", |text| job(&format!("{text}\n")));
}
