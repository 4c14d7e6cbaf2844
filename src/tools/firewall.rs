//! nft(8) and iptables-save(8): the rules in force.

use crate::plan::Argv;

/// Without counters.
pub fn nft_rules() -> Argv {
    Argv::new("nft").args(["--stateless", "list", "ruleset"])
}

/// `program` is `iptables-save` or `ip6tables-save`.
pub fn saved(program: &str) -> Argv {
    Argv::new(program)
}
