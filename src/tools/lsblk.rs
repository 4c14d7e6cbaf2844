//! lsblk(8): disks, their partitions and what is in these.

use serde::Deserialize;

use crate::plan::Argv;

pub fn all() -> Argv {
    Argv::new("lsblk")
        .args(["--json", "--bytes", "--output"])
        .arg("NAME,TYPE,SIZE,MODEL,SERIAL,PTTYPE,PARTTYPENAME,PARTUUID,FSTYPE,LABEL,UUID,MOUNTPOINTS")
}

/// A disk, a partition or what is made of such.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct Device {
    pub name: String,
    #[serde(rename = "type")]
    pub kind: String,
    /// In bytes.
    pub size: u64,
    pub model: Option<String>,
    pub pttype: Option<String>,
    pub parttypename: Option<String>,
    pub fstype: Option<String>,
    pub label: Option<String>,
    pub uuid: Option<String>,
    #[serde(default)]
    pub mountpoints: Vec<Option<String>>,
    #[serde(default)]
    pub children: Vec<Device>,
}

/// The devices, outermost first; none where the text is not what [`all`] prints.
pub fn read(text: &[u8]) -> Vec<Device> {
    #[derive(Deserialize)]
    struct Told {
        blockdevices: Vec<Device>,
    }
    let told = serde_json::from_slice::<Told>(text);
    told.map_or_else(|_| Vec::new(), |told| told.blockdevices)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Printed by util-linux 2.38 of Debian 12, shortened.
    #[test]
    fn a_disk_is_read_with_its_partitions() {
        let text = br#"{"blockdevices": [{"name":"sda","type":"disk","size":64000000000,"model":"SPARE","serial":"1",
            "pttype":"gpt","parttypename":null,"partuuid":null,"fstype":null,"label":null,"uuid":null,
            "mountpoints":[null],"children":[{"name":"sda1","type":"part","size":512,"model":null,"serial":null,
            "pttype":"gpt","parttypename":"Linux filesystem","partuuid":"5f","fstype":"ext4","label":"root",
            "uuid":"5f0c3a52-8d1e-4a55-9a4e-0c1f6d2b7e90","mountpoints":["/"]}]}]}"#;
        let read = read(text);
        assert_eq!(
            (read[0].name.as_str(), read[0].size),
            ("sda", 64_000_000_000)
        );
        let part = &read[0].children[0];
        assert_eq!(part.mountpoints, [Some("/".to_owned())]);
        assert_eq!(part.fstype.as_deref(), Some("ext4"));
        assert!(super::read(b"lsblk: failed").is_empty());
    }
}
