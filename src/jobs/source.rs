//! `source`: what a job copies.

use std::path::PathBuf;

use super::path_text::absolute_path;
use super::reading::Value;
use super::{Mistake, SshHost};

/// Absolute paths, on this server or on another host.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    Local(Vec<PathBuf>),
    Ssh { host: SshHost, paths: Vec<PathBuf> },
}

impl Source {
    pub const EXPECTED: &str = "a list of absolute paths, such as [\"/srv/studio\"], or { ssh = \"ines@laptop.example\", path = \"/home/ines\" }";

    pub fn paths(&self) -> &[PathBuf] {
        match self {
            Self::Local(paths) | Self::Ssh { paths, .. } => paths,
        }
    }

    pub(super) fn read(value: &Value<'_>) -> Option<Self> {
        if !value.is_table() {
            return Some(Self::Local(read_paths(value)?));
        }
        let mut table = value.table("`source`", Self::EXPECTED)?;
        let host = SshHost::read(&mut table);
        let paths = table.require("path", "such as \"/home/ines\", or a list of paths");
        let paths = paths.and_then(|paths| {
            if paths.is_list() {
                read_paths(&paths)
            } else {
                let one = paths.parse("an absolute path or a list of them", absolute_path);
                one.map(|path| vec![path])
            }
        });
        table.finish();
        Some(Self::Ssh {
            host: host?,
            paths: paths?,
        })
    }
}

fn read_paths(value: &Value<'_>) -> Option<Vec<PathBuf>> {
    let elements = value.list(Source::EXPECTED)?;
    if elements.is_empty() {
        value.refuse(
            Mistake::new(format!("`{}` is empty: nothing would be copied", value.key))
                .allowed(Source::EXPECTED),
        );
    }
    let mut paths: Vec<PathBuf> = Vec::with_capacity(elements.len());
    for element in &elements {
        let Some(path) = element.parse(Source::EXPECTED, absolute_path) else {
            continue;
        };
        if paths.contains(&path) {
            element.refuse(
                Mistake::new(format!("`{}` is given twice", path.display()))
                    .allowed("each path once"),
            );
        } else if let Some(other) = paths
            .iter()
            .find(|p| path.starts_with(p) || p.starts_with(&path))
        {
            let message = format!(
                "one of `{}` and `{}` lies within the other",
                other.display(),
                path.display()
            );
            element.refuse(
                Mistake::new(message).help("keep the outer one: it takes in all that lies within"),
            );
        }
        paths.push(path);
    }
    Some(paths)
}
