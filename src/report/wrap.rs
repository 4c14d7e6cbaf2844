//! Long text broken into lines that fit a width in columns.

use unicode_width::UnicodeWidthChar;

use super::safe_text::width;

/// `text` in lines of at most `columns`; the first begins with `first`, the others with `rest`.
/// Lines break at spaces; a word that is too long for any line breaks where the line ends.
pub(super) fn wrap(text: &str, first: &str, rest: &str, columns: usize) -> String {
    let mut lines = Vec::new();
    let mut line = first.to_owned();
    let mut empty = true;
    for word in text.split(' ') {
        let gap = usize::from(!empty);
        if width(&line) + gap + width(word) <= columns {
            line.push_str(&" ".repeat(gap));
            line.push_str(word);
        } else {
            if !empty {
                lines.push(std::mem::replace(&mut line, rest.to_owned()));
            }
            break_word(word, &mut line, &mut lines, rest, columns);
        }
        empty = false;
    }
    lines.push(line);
    let trimmed = lines.iter().map(|line| line.trim_end_matches(' '));
    trimmed
        .flat_map(|line| {
            [
                line, "
",
            ]
        })
        .collect()
}

fn break_word(word: &str, line: &mut String, lines: &mut Vec<String>, rest: &str, columns: usize) {
    // A line always takes two columns, the width of the widest character, or nothing would end.
    let columns = columns.max(width(rest) + 2).max(width(line) + 2);
    let mut used = width(line);
    for c in word.chars() {
        let wide = c.width().unwrap_or(0);
        if used + wide > columns {
            lines.push(std::mem::replace(line, rest.to_owned()));
            used = width(rest);
        }
        line.push(c);
        used += wide;
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn lines_break_at_spaces_and_hang_under_their_label() {
        assert_eq!(
            wrap("glaze recipes and orders", "About  ", "       ", 20),
            "About  glaze recipes\n       and orders\n"
        );
    }

    #[test]
    fn a_word_longer_than_the_line_is_broken_without_loss() {
        assert_eq!(
            wrap("ab cdefghij k", "", "> ", 6),
            "ab\n> cdef\n> ghij\n> k\n"
        );
        assert_eq!(wrap("", "- ", "  ", 6), "-\n");
    }

    proptest! {
        #[test]
        fn no_line_is_wider_than_asked_and_no_letter_is_lost(text in "[a-z陶é ]{0,200}", columns in 8usize..40) {
            let wrapped = wrap(&text, "- ", "  ", columns);
            let letters = |t: &str| t.chars().filter(|c| c.is_alphabetic()).collect::<String>();
            prop_assert!(wrapped.lines().all(|line| width(line) <= columns));
            prop_assert_eq!(letters(&wrapped), letters(&text));
        }
    }
}
