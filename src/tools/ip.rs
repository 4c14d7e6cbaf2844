//! ip(8): addresses and routes.

use serde::Deserialize;

use crate::plan::Argv;

pub fn addresses() -> Argv {
    Argv::new("ip").args(["-json", "address", "show"])
}

pub fn routes() -> Argv {
    Argv::new("ip").args(["-json", "route", "show", "table", "all"])
}

/// A network interface.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct Interface {
    pub ifname: String,
    #[serde(default)]
    pub address: Option<String>,
    #[serde(default)]
    pub addr_info: Vec<Address>,
}

#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct Address {
    #[serde(default)]
    pub local: String,
    #[serde(default)]
    pub prefixlen: u8,
}

/// The interfaces; none where the text is not what [`addresses`] prints.
pub fn read_addresses(text: &[u8]) -> Vec<Interface> {
    serde_json::from_slice(text).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Printed by iproute2 6.1 of Debian 12, shortened.
    #[test]
    fn interfaces_are_read_with_their_addresses() {
        let text = br#"[{"ifindex":2,"ifname":"enp3s0","link_type":"ether","address":"02:00:5e:10:00:01","addr_info":[
            {"family":"inet","local":"192.0.2.7","prefixlen":24,"scope":"global"},
            {"family":"inet6","local":"2001:db8::7","prefixlen":64,"scope":"global"}]}]"#;
        let read = read_addresses(text);
        assert_eq!(read[0].ifname, "enp3s0");
        assert_eq!(read[0].addr_info[1].local, "2001:db8::7");
        assert_eq!(read[0].addr_info[0].prefixlen, 24);
        assert!(read_addresses(b"").is_empty());
    }
}
