//! fstab(5), without its options: passwords may stand there.

use super::{bare_address, without_secrets};

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MountLine {
    pub device: String,
    pub point: String,
    pub kind: String,
}

pub fn read_fstab(text: &[u8]) -> Vec<MountLine> {
    let text = String::from_utf8_lossy(text);
    let lines = text.lines().map(str::trim_start);
    lines
        .filter(|line| !line.starts_with('#'))
        .filter_map(|line| {
            let mut fields = line.split_whitespace();
            Some(MountLine {
                device: bare_address(&without_secrets(fields.next()?)),
                point: usual(fields.next()?, is_point),
                kind: usual(fields.next()?, is_kind),
            })
        })
        .collect()
}

/// In a line with a field too few, options stand where others belong.
fn usual(field: &str, is_usual: impl Fn(&str) -> bool) -> String {
    if is_usual(field) { field } else { "…" }.to_owned()
}

fn is_point(field: &str) -> bool {
    field.starts_with('/') || ["none", "swap"].contains(&field)
}

fn is_kind(field: &str) -> bool {
    let is_of_a_name = |byte: u8| {
        byte.is_ascii_lowercase() || byte.is_ascii_digit() || [b'.', b'_', b'-'].contains(&byte)
    };
    field.bytes().all(is_of_a_name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_in_the_options_or_the_address_is_not_read() {
        let text = b"# /etc/fstab\nUUID=5f0c3a52 / ext4 errors=remount-ro 0 1\n\
            //shed/plans /mnt/plans cifs username=ines,password=ash 0 0\n\
            curlftpfs#ines:ash@shed /mnt/far fuse rw 0 0\n\nUUID=short\n";
        let read = read_fstab(text);
        assert_eq!(read.len(), 3);
        assert_eq!(read[1].device, "//shed/plans");
        assert!(!format!("{read:?}").contains("ash@") && !format!("{read:?}").contains("=ash"));
    }

    #[test]
    fn a_line_without_its_type_and_addresses_with_options_tell_no_password() {
        let text = b"//shed/plans /mnt/plans username=ines,password=ash 0 0\n\
            //shed/plans cifs username=ines,password=ash 0 0\n//shed/plans username=ines,password=ash cifs 0 0\n\
            :sftp,host=shed,user=ines,pass=ash:plans /mnt/far rclone rw 0 0\n\
            https://shed/plans?t=ash /mnt/web davfs rw 0 0\nUUID=5f0c none swap sw 0 0\n";
        let read = read_fstab(text);
        assert!(!format!("{read:?}").contains("ash"), "{read:?}");
        let kinds: Vec<&str> = read.iter().map(|line| line.kind.as_str()).collect();
        assert_eq!(kinds, ["…", "…", "cifs", "rclone", "davfs", "swap"]);
        assert_eq!(read[1].point, "…");
        assert_eq!(read[3].device, ":sftp,host=shed,user=ines,pass=***");
        assert_eq!(read[4].device, "https://shed/plans");
    }
}
