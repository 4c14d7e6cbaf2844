//! One name against one part of a pattern, as rsync's wildmatch does it: byte by byte, in the C locale
//! (rsync(1), PATTERN MATCHING RULES; what that leaves open is asked of rsync itself by a test).

/// What stands between two `/` of a pattern.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wildcard {
    Literal(Box<[u8]>),
    /// `*`
    Any,
    /// `name*`
    Begins(Box<[u8]>),
    /// `*.tmp`
    Ends(Box<[u8]>),
    Tokens(Box<[Token]>),
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Token {
    Byte(u8),
    /// `?`
    One,
    /// `*`
    Run,
    /// `[…]`
    OneOf(ByteSet),
}

/// Reads a pattern into its parts. `None` for one that never matches, such as `[[:glaze:]]`.
pub fn parts(pattern: &[u8]) -> Option<Vec<Wildcard>> {
    let mut parts = Vec::new();
    let mut tokens = Vec::new();
    let mut rest = pattern;
    while let Some((&byte, behind)) = rest.split_first() {
        rest = behind;
        let literal = match byte {
            b'[' => {
                let (set, behind) = ByteSet::read(rest)?;
                rest = behind;
                tokens.push(Token::OneOf(set));
                continue;
            }
            b'*' => {
                tokens.push(Token::Run);
                continue;
            }
            b'?' => {
                tokens.push(Token::One);
                continue;
            }
            b'\\' => {
                let (&escaped, behind) = rest.split_first()?;
                rest = behind;
                escaped
            }
            plain => plain,
        };
        if literal == b'/' {
            parts.push(Wildcard::new(std::mem::take(&mut tokens)));
        } else {
            tokens.push(Token::Byte(literal));
        }
    }
    parts.push(Wildcard::new(tokens));
    Some(parts)
}

impl Wildcard {
    pub fn matches(&self, name: &[u8]) -> bool {
        match self {
            Self::Literal(text) => name == &**text,
            Self::Any => true,
            Self::Begins(text) => name.starts_with(text),
            Self::Ends(text) => name.ends_with(text),
            Self::Tokens(tokens) => match_tokens(tokens, name),
        }
    }

    fn new(tokens: Vec<Token>) -> Self {
        if let Some(text) = literal(&tokens) {
            return Self::Literal(text);
        }
        let quick = match tokens.as_slice() {
            [Token::Run] => Some(Self::Any),
            [begin @ .., Token::Run] => literal(begin).map(Self::Begins),
            [Token::Run, end @ ..] => literal(end).map(Self::Ends),
            _ => None,
        };
        quick.unwrap_or_else(|| Self::Tokens(tokens.into()))
    }
}

fn literal(tokens: &[Token]) -> Option<Box<[u8]>> {
    let byte = |token: &Token| match token {
        Token::Byte(byte) => Some(*byte),
        _ => None,
    };
    tokens.iter().map(byte).collect()
}

/// Goes back to the last `*` only: an earlier one could take nothing that the last cannot.
fn match_tokens(tokens: &[Token], name: &[u8]) -> bool {
    let (mut token, mut at) = (0, 0);
    let mut last_run = None;
    loop {
        let fits = match (tokens.get(token), name.get(at)) {
            (None, None) => return true,
            (Some(Token::Run), _) => {
                last_run = Some((token + 1, at));
                token += 1;
                continue;
            }
            (Some(Token::Byte(wanted)), Some(byte)) => wanted == byte,
            (Some(Token::One), Some(_)) => true,
            (Some(Token::OneOf(set)), Some(byte)) => set.holds(*byte),
            (None, Some(_)) | (Some(_), None) => false,
        };
        if fits {
            token += 1;
            at += 1;
            continue;
        }
        match last_run {
            Some((behind, taken)) if taken < name.len() => {
                last_run = Some((behind, taken + 1));
                (token, at) = (behind, taken + 1);
            }
            _ => return false,
        }
    }
}

/// The bytes that a `[…]` stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ByteSet([u64; 4]);

impl ByteSet {
    pub fn holds(&self, byte: u8) -> bool {
        self.0[usize::from(byte / 64)] >> (byte % 64) & 1 == 1
    }

    fn add(&mut self, byte: u8) {
        self.0[usize::from(byte / 64)] |= 1 << (byte % 64);
    }

    fn add_where(&mut self, is_in: impl Fn(u8) -> bool) {
        (0..=u8::MAX)
            .filter(|byte| is_in(*byte))
            .for_each(|byte| self.add(byte));
    }

    /// Reads what follows a `[`, and gives what stands behind its `]`. `None` where wildmatch gives up:
    /// without that `]`, and at a class that it does not know.
    fn read(text: &[u8]) -> Option<(Self, &[u8])> {
        let (negated, mut rest) = match text {
            [b'!' | b'^', rest @ ..] => (true, rest),
            _ => (false, text),
        };
        let mut set = Self::default();
        // where a range may begin; none behind a range or a class
        let mut before = None;
        let mut is_first = true;
        loop {
            let (&byte, behind) = rest.split_first()?;
            if byte == b']' && !is_first {
                if negated {
                    set.0 = set.0.map(|bits| !bits);
                }
                return Some((set, behind));
            }
            is_first = false;
            rest = behind;
            before = match (byte, before, rest) {
                (b'-', Some(from), [to, ..]) if *to != b']' => {
                    let (to, behind) = possibly_escaped(rest)?;
                    rest = behind;
                    set.add_where(|byte| (from..=to).contains(&byte));
                    None
                }
                (b'[', _, [b':', class @ ..]) => match class_name(class)? {
                    Some((name, behind)) => {
                        set.add_where(class_by_name(name)?);
                        rest = behind;
                        None
                    }
                    None => Some(set.with(b'[')),
                },
                (b'\\', ..) => {
                    let (&escaped, behind) = rest.split_first()?;
                    rest = behind;
                    Some(set.with(escaped))
                }
                (plain, ..) => Some(set.with(plain)),
            };
        }
    }

    fn with(&mut self, byte: u8) -> u8 {
        self.add(byte);
        byte
    }
}

fn possibly_escaped(text: &[u8]) -> Option<(u8, &[u8])> {
    let text = text.strip_prefix(b"\\").unwrap_or(text);
    text.split_first().map(|(byte, rest)| (*byte, rest))
}

/// `alpha` of `alpha:]`, and what stands behind; no name where the next `]` has no `:` before it.
#[expect(
    clippy::option_option,
    reason = "without any `]` the whole pattern is void"
)]
fn class_name(text: &[u8]) -> Option<Option<(&[u8], &[u8])>> {
    let end = text.iter().position(|byte| *byte == b']')?;
    let name = text[..end].strip_suffix(b":");
    Some(name.map(|name| (name, &text[end + 1..])))
}

/// POSIX.1-2017 XBD 7.3.1 in the C locale; isspace(3) also knows the vertical tab.
fn class_by_name(name: &[u8]) -> Option<fn(u8) -> bool> {
    Some(match name {
        b"alnum" => |byte| byte.is_ascii_alphanumeric(),
        b"alpha" => |byte| byte.is_ascii_alphabetic(),
        b"blank" => |byte| b" \t".contains(&byte),
        b"cntrl" => |byte| byte.is_ascii_control(),
        b"digit" => |byte| byte.is_ascii_digit(),
        b"graph" => |byte| byte.is_ascii_graphic(),
        b"lower" => |byte| byte.is_ascii_lowercase(),
        b"print" => |byte| byte.is_ascii_graphic() || byte == b' ',
        b"punct" => |byte| byte.is_ascii_punctuation(),
        b"space" => |byte| b" \t\n\x0b\x0c\r".contains(&byte),
        b"upper" => |byte| byte.is_ascii_uppercase(),
        b"xdigit" => |byte| byte.is_ascii_hexdigit(),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn matches(pattern: &str, name: &[u8]) -> bool {
        let parts = parts(pattern.as_bytes()).unwrap_or_default();
        parts.len() == 1 && parts[0].matches(name)
    }

    #[test]
    fn runs_take_as_much_as_is_needed() {
        assert!(matches("*a*b?c*", b"xxabbaabxcc"));
        assert!(!matches("*a*b?c", b"xxabbaabxcd"));
        assert!(matches("a*", b"a") && matches("*a", b"a") && matches("*", b""));
        // without end where each run goes back to each earlier one
        let name = [b'a'; 255];
        assert!(!matches(&"*a".repeat(60), &[&name[..], b"b"].concat()));
    }

    /// POSIX.1-2017 XBD 9.3.5 but for the backslash, which rsync takes its meaning from within brackets too.
    #[test]
    fn brackets_hold_ranges_classes_and_what_a_backslash_precedes() {
        for (pattern, within, without) in [
            ("[]a]", "]a", "[b"),
            ("[!]a]", "[b", "]a"),
            ("[^a-c]", "d", "abc"),
            ("[a\\]-_]", "a]^_", "\\b"),
            ("[a-]", "a-", "b"),
            ("[[:digit:]-x]", "09-x", "a"),
            ("[[:x]", "[:x", "]"),
        ] {
            for byte in within.bytes() {
                assert!(matches(pattern, &[byte]), "{pattern} {byte}");
            }
            for byte in without.bytes() {
                assert!(!matches(pattern, &[byte]), "{pattern} {byte}");
            }
        }
        assert_eq!(parts(b"[[:glaze:]]"), None);
        assert_eq!(parts(b"[a\\]"), None);
    }

    #[test]
    fn a_name_need_not_be_text() {
        assert!(matches("?[!a]*", b"\xff\xfe\n"));
    }
}
