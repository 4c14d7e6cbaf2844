//! fstab(5), without its options: passwords may stand there.

use super::without_login;

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
                device: without_login(fields.next()?),
                point: fields.next()?.to_owned(),
                kind: fields.next()?.to_owned(),
            })
        })
        .collect()
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
}
