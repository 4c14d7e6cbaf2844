//! df(1): the space of a remote drive.

use std::path::Path;

use crate::plan::{Argv, Space};

pub fn space_of(path: &Path) -> Argv {
    Argv::new("df")
        .args(["--block-size=1", "--output=size,avail", "--"])
        .arg(path)
}

/// Reads what [`space_of`] prints: a heading, then size and available bytes.
pub fn parse(text: &str) -> Option<Space> {
    let mut numbers = text.lines().nth(1)?.split_whitespace().map(str::parse);
    let total = numbers.next()?.ok()?;
    let free = numbers.next()?.ok()?;
    Some(Space { total, free })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::process::Command;

    #[test]
    fn what_df_prints_here_is_read() {
        let argv = space_of(Path::new("/"));
        let out = Command::new(&argv.program)
            .args(&argv.args)
            .env("LC_ALL", "C")
            .output()
            .unwrap();
        let space = parse(&String::from_utf8(out.stdout).unwrap()).unwrap();
        assert!(space.total > space.free && space.total > 0);
    }
}
