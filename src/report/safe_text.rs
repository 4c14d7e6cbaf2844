//! Text from outside (names, messages, logs) made safe to show on one line.
//!
//! A file name may hold any byte but `/` and NUL (`path_resolution(7)`): newlines that fake a line of
//! the report, escape sequences that drive the terminal, bidirectional controls that show
//! `gpj.exe` as `exe.jpg` (Unicode Technical Report 36, section 2.7). All become visible escapes.

use std::fmt::Write;

use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// A name as bytes, unambiguous: a backslash shows as `\\`, bytes that are not UTF-8 as `\xNN`.
pub fn safe_name(name: &[u8]) -> String {
    let mut shown = String::with_capacity(name.len());
    for chunk in name.utf8_chunks() {
        for c in chunk.valid().chars() {
            if c == '\\' {
                shown.push_str("\\\\");
            } else {
                push_visible(&mut shown, c);
            }
        }
        for byte in chunk.invalid() {
            push_formatted(&mut shown, format_args!("\\x{byte:02x}"));
        }
    }
    shown
}

/// A sentence or log line on one line. Backslashes stay, since names in it are escaped already.
pub fn safe_line(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        push_visible(&mut shown, c);
    }
    shown
}

fn push_visible(shown: &mut String, c: char) {
    match c {
        '\n' => shown.push_str("\\n"),
        '\r' => shown.push_str("\\r"),
        '\t' => shown.push_str("\\t"),
        c if c.is_control() && u32::from(c) < 0x100 => {
            push_formatted(shown, format_args!("\\x{:02x}", u32::from(c)));
        }
        c if is_deceptive(c) => push_formatted(shown, format_args!("\\u{{{:x}}}", u32::from(c))),
        c => shown.push(c),
    }
}

fn push_formatted(shown: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = shown.write_fmt(text);
}

/// Characters that reorder, break or hide text without being seen themselves.
fn is_deceptive(c: char) -> bool {
    matches!(c,
        '\u{061c}' | '\u{200b}' | '\u{200e}' | '\u{200f}'
        | '\u{2028}'..='\u{202e}'
        | '\u{2060}'..='\u{206f}'
        | '\u{feff}' | '\u{fff9}'..='\u{fffb}'
        | '\u{e0000}'..='\u{e007f}')
}

/// Columns that `text` takes on a terminal.
pub fn width(text: &str) -> usize {
    UnicodeWidthStr::width(text)
}

/// `text`, or as much of it as fits into `columns` with a `…` behind it.
pub fn truncate(text: &str, columns: usize) -> String {
    if width(text) <= columns {
        return text.to_owned();
    }
    let mut shown = String::new();
    let mut used = 0;
    for c in text.chars() {
        let wide = c.width().unwrap_or(0);
        if used + wide + 1 > columns {
            break;
        }
        used += wide;
        shown.push(c);
    }
    if columns > 0 {
        shown.push('…');
    }
    shown
}

/// `text` padded with spaces to `columns`, or truncated to them.
pub(super) fn fit(text: &str, columns: usize) -> String {
    let shown = truncate(text, columns);
    let gap = columns.saturating_sub(width(&shown));
    shown + &" ".repeat(gap)
}

/// `text` for HTML, as element content or inside a quoted attribute.
pub fn html(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => shown.push_str("&amp;"),
            '<' => shown.push_str("&lt;"),
            '>' => shown.push_str("&gt;"),
            '"' => shown.push_str("&quot;"),
            '\'' => shown.push_str("&#39;"),
            c => shown.push(c),
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn hostile_names_show_as_one_harmless_line() {
        let table: [(&[u8], &str); 14] = [
            (b"glaze recipes.txt", "glaze recipes.txt"),
            (b"two\nlines", r"two\nlines"),
            (b"back\\nslash", r"back\\nslash"),
            (b"tab\there\r", r"tab\there\r"),
            (b"\x1b[31mred\x1b[0m", r"\x1b[31mred\x1b[0m"),
            (b"bell\x07 nul\x00 del\x7f", r"bell\x07 nul\x00 del\x7f"),
            (b"latin1 \xe9t\xe9", r"latin1 \xe9t\xe9"),
            ("csi \u{9b}31m".as_bytes(), r"csi \x9b31m"),
            ("exe\u{202e}gpj.doc".as_bytes(), r"exe\u{202e}gpj.doc"),
            (
                "iso\u{2066}late\u{2069}".as_bytes(),
                r"iso\u{2066}late\u{2069}",
            ),
            ("line\u{2028}sep".as_bytes(), r"line\u{2028}sep"),
            ("olaria São Brás 陶器".as_bytes(), "olaria São Brás 陶器"),
            ("cut \u{1f3fa}".as_bytes(), "cut \u{1f3fa}"),
            (b"\xf0\x9f\x8f", r"\xf0\x9f\x8f"),
        ];
        for (name, shown) in table {
            assert_eq!(safe_name(name), shown);
        }
    }

    #[test]
    fn a_wide_name_is_cut_at_its_columns_and_not_its_bytes() {
        assert_eq!(truncate("陶器工房の釉薬", 9), "陶器工房…");
        assert_eq!(truncate("陶器工房の釉薬", 8), "陶器工…");
        assert_eq!(truncate("glaze", 5), "glaze");
        assert_eq!(truncate("glazes", 5), "glaz…");
        assert_eq!(truncate("glazes", 0), "");
        assert_eq!(fit("陶", 4), "陶  ");
    }

    #[test]
    fn html_cannot_be_opened_from_inside_a_name() {
        assert_eq!(
            html("<img src='x' onerror=\"a&b\">"),
            "&lt;img src=&#39;x&#39; onerror=&quot;a&amp;b&quot;&gt;"
        );
    }

    proptest! {
        #[test]
        fn any_bytes_become_one_line_without_controls(name in proptest::collection::vec(any::<u8>(), 0..200)) {
            let shown = safe_name(&name);
            prop_assert!(!shown.chars().any(|c| c.is_control() || is_deceptive(c)));
        }

        #[test]
        fn different_names_never_look_the_same(a in proptest::collection::vec(any::<u8>(), 0..8), b in proptest::collection::vec(any::<u8>(), 0..8)) {
            prop_assert_eq!(a == b, safe_name(&a) == safe_name(&b));
        }

        #[test]
        fn truncated_text_never_exceeds_its_columns(text in "\\PC{0,60}", columns in 0usize..40) {
            prop_assert!(width(&truncate(&text, columns)) <= columns);
        }
    }
}
