//! "Did you mean": the candidate that is most likely meant.

/// The candidate nearest to `word`, if any is near enough to be a slip of the fingers (edit distance
/// at most a third of its length) or shares most of its beginning.
pub fn nearest<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<String> {
    let word = word.to_lowercase();
    candidates
        .into_iter()
        .filter_map(|candidate| Some((rank(&word, candidate)?, candidate)))
        .min_by_key(|(rank, _)| *rank)
        .map(|(_, candidate)| candidate.to_owned())
}

/// Smaller is nearer.
fn rank(word: &str, candidate: &str) -> Option<usize> {
    let lower = candidate.to_lowercase();
    let distance = strsim::osa_distance(word, &lower);
    if distance <= (lower.chars().count() / 3).max(1) && distance < word.chars().count().max(1) {
        return Some(distance);
    }
    (strsim::jaro_winkler(word, &lower) >= 0.88).then_some(100 + distance)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_fingers_is_found() {
        let keys = ["schedule", "source", "drive", "cap"];
        assert_eq!(nearest("shedule", keys).as_deref(), Some("schedule"));
        assert_eq!(nearest("Drive", keys).as_deref(), Some("drive"));
        assert_eq!(nearest("cpa", keys).as_deref(), Some("cap"));
    }

    #[test]
    fn a_word_cut_short_is_found() {
        let keys = ["password_file", "smtp"];
        assert_eq!(nearest("password", keys).as_deref(), Some("password_file"));
    }

    #[test]
    fn nothing_is_offered_for_something_else_entirely() {
        assert_eq!(nearest("glaze", ["schedule", "cap"]), None);
        assert_eq!(nearest("x", ["on"]), None);
        assert_eq!(nearest("", ["a"]), None);
    }
}
