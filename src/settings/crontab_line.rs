//! Lines of crontabs, as crontab(5) tells them: when, and as whom. Never the command: passwords may stand in it.

/// What a table of cron lists.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct CronLine {
    pub when: String,
    pub account: String,
}

/// Whose commands a table holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whose<'a> {
    /// Of this account.
    Of(&'a str),
    /// The account stands in each line: /etc/crontab and /etc/cron.d.
    InLines,
}

/// What looks in any way unlike a line of a crontab is left out: it may be anything.
pub fn read_crontab(text: &[u8], whose: Whose) -> Vec<CronLine> {
    let text = String::from_utf8_lossy(text);
    text.lines()
        .filter_map(|line| read_line(line, whose))
        .collect()
}

fn read_line(line: &str, whose: Whose) -> Option<CronLine> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let first = words.first()?;
    let times = if first.starts_with('@') { 1 } else { 5 };
    let (when, rest) = words.split_at_checked(times)?;
    let known = if times == 1 {
        NICKNAMES.contains(first)
    } else {
        when.iter().all(|field| is_field(field))
    };
    let account = match whose {
        Whose::Of(name) => name,
        Whose::InLines => rest.first()?,
    };
    let is_plain = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
    // an assignment, and not the name of an account
    let known = known && !rest.is_empty() && account.chars().all(is_plain);
    known.then(|| CronLine {
        when: when.join(" "),
        account: account.to_owned(),
    })
}

/// crontab(5), "EXTENSIONS"
const NICKNAMES: [&str; 8] = [
    "@reboot",
    "@yearly",
    "@annually",
    "@monthly",
    "@weekly",
    "@daily",
    "@midnight",
    "@hourly",
];

/// Numbers, names of three letters, and the marks between them.
fn is_field(field: &str) -> bool {
    let mut parts = field.split(['*', ',', '-', '/', '~']);
    parts.all(|part| {
        let is_name = part.len() == 3 && part.chars().all(|c| c.is_ascii_alphabetic());
        let is_number = part.len() <= 2 && part.chars().all(|c| c.is_ascii_digit());
        is_name || is_number
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_times_and_accounts_are_read() {
        let text = b"# m h dom mon dow command\nTOKEN = ash glaze cone ten wheel x\nMAILTO=ines\n\
            30 2 * * 1-5 /usr/bin/fire --token ash\n@daily glaze\n*/5 0-3,9 1 JAN sun x\n\
            secret words that are no line at all\n99 glaze\n";
        let read = read_crontab(text, Whose::Of("ines"));
        let shown: Vec<&str> = read.iter().map(|line| line.when.as_str()).collect();
        assert_eq!(shown, ["30 2 * * 1-5", "@daily", "*/5 0-3,9 1 JAN sun"]);
        assert!(read.iter().all(|line| line.account == "ines"));
    }

    #[test]
    fn a_table_of_the_system_names_the_account_in_each_line() {
        // /etc/crontab of Debian 12
        let text = b"17 *\t* * *\troot\tcd / && run-parts --report /etc/cron.hourly\n@reboot orders x\n1 2 3 4 5\n";
        let read = read_crontab(text, Whose::InLines);
        assert_eq!(read[0].account, "root");
        assert_eq!(read[1].when, "@reboot");
        assert_eq!(read.len(), 2);
    }
}
