//! The text of one file, and where in it a byte stands.

use std::fs::{self, Metadata};
use std::io::Read as _;
use std::ops::Range;
use std::path::{Path, PathBuf};

use super::mask::mask;
use super::{Diagnostic, Mistake, Place, Severity};

pub struct FileText {
    pub path: PathBuf,
    pub text: String,
    /// Of the open file that was read, so that what is judged is what was read.
    pub metadata: Metadata,
}

impl FileText {
    pub fn read(path: &Path) -> Result<Self, Box<Diagnostic>> {
        let whole = |mistake| Box::new(Diagnostic::of_file(path, Severity::Error, mistake));
        let cannot = |error: std::io::Error| whole(cannot_read(path, &error));
        if !fs::metadata(path).map_err(cannot)?.is_file() {
            return Err(whole(
                Mistake::new(format!("`{}` is not a file", path.display()))
                    .help("only files may be named `*.toml` there"),
            ));
        }
        let mut file = fs::File::open(path).map_err(cannot)?;
        let metadata = file.metadata().map_err(cannot)?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(cannot)?;
        match String::from_utf8(bytes) {
            Ok(text) => Ok(Self {
                path: path.to_owned(),
                text,
                metadata,
            }),
            Err(error) => Err(Box::new(not_utf8(path, &error))),
        }
    }

    /// The place of `range` (bytes of the text), up to the end of its first line.
    pub fn place(&self, range: &Range<usize>) -> Place {
        place_in(&self.text, range)
    }

    /// The line a byte stands in, from 1.
    pub fn line_of(&self, offset: usize) -> usize {
        1 + self.text[..floor(&self.text, offset)].matches('\n').count()
    }
}

fn place_in(text: &str, range: &Range<usize>) -> Place {
    let start = floor(text, range.start);
    let line_start = text[..start].rfind('\n').map_or(0, |i| i + 1);
    let line_end = text[start..].find('\n').map_or(text.len(), |i| start + i);
    let line = text[line_start..line_end]
        .strip_suffix('\r')
        .unwrap_or(&text[line_start..line_end]);
    let line_end = line_start + line.len();
    let start = start.min(line_end);
    let end = floor(text, range.end).clamp(start, line_end);
    let before = text[line_start..start].trim_start_matches('\u{feff}');
    let source_line = mask(line.trim_start_matches('\u{feff}'));
    let column = 1 + before.chars().count();
    let length = text[start..end].chars().count();
    Place {
        line: 1 + text[..start].matches('\n').count(),
        column,
        text: source_line.chars().skip(column - 1).take(length).collect(),
        source_line,
    }
}

/// The nearest character boundary at or before `offset`.
pub fn floor(text: &str, offset: usize) -> usize {
    let start = offset.min(text.len());
    (0..=start)
        .rev()
        .find(|i| text.is_char_boundary(*i))
        .unwrap_or(0)
}

fn cannot_read(path: &Path, error: &std::io::Error) -> Mistake {
    let shown = path.display();
    if error.kind() == std::io::ErrorKind::NotFound {
        Mistake::new(format!("`{shown}` is missing"))
            .help("copy the example folder: /usr/share/doc/hayloft/examples; `--config DIR` points elsewhere")
    } else {
        Mistake::new(format!("`{shown}` cannot be read: {error}"))
    }
}

fn not_utf8(path: &Path, error: &std::string::FromUtf8Error) -> Diagnostic {
    let bytes = error.as_bytes();
    let offset = error.utf8_error().valid_up_to();
    let text = String::from_utf8_lossy(bytes);
    // What is lossless up to `offset` has the same bytes there.
    let place = place_in(&text, &(offset..offset + '\u{fffd}'.len_utf8()));
    let mistake = Mistake::new(format!(
        "the file is not UTF-8 text: byte 0x{:02X}",
        bytes[offset]
    ))
    .allowed("UTF-8, as TOML demands")
    .help("open the file in an editor and save it as UTF-8");
    Diagnostic {
        place: Some(place),
        ..Diagnostic::of_file(path, Severity::Error, mistake)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_count_characters_and_not_bytes() {
        let place = place_in("a = 1\né = \"x\"\n", &(11..14));
        assert_eq!((place.line, place.column), (2, 5));
        assert_eq!(place.text, "\"x\"");
        assert_eq!(place.source_line, "é = \"x\"");
    }

    #[test]
    fn a_range_over_several_lines_is_cut_at_the_first() {
        let place = place_in("x = [\r\n1]\r\n", &(4..9));
        assert_eq!((place.line, place.column), (1, 5));
        assert_eq!(place.text, "[");
        assert_eq!(place.source_line, "x = [");
    }

    #[test]
    fn a_byte_order_mark_takes_no_column() {
        let place = place_in("\u{feff}name = 1\n", &(3..7));
        assert_eq!((place.column, place.text.as_str()), (1, "name"));
    }

    #[test]
    fn a_carriage_return_is_no_part_of_the_line() {
        let place = place_in("a = \"b\r\nc = 1\r\n", &(7..7));
        assert_eq!((place.line, place.column), (1, 7));
        assert_eq!(place.source_line, "a = \"b");
    }

    #[test]
    fn the_end_of_the_text_is_a_place_too() {
        let place = place_in("a = \"b\n", &(7..7));
        assert_eq!((place.line, place.column, place.text.as_str()), (2, 1, ""));
    }
}
