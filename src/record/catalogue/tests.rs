//! Reading and writing catalogues, whole and damaged.

use std::fs::{self, File};
use std::os::fd::AsFd;

use proptest::prelude::*;

use super::*;
use crate::record::samples::{generation, night};

fn retired(text: &str) -> Generation {
    Generation {
        state: State::Retired,
        ..generation(text)
    }
}

#[test]
fn a_line_reads_as_documented() {
    let expected = "{\"name\":\"20261125T023000Z\",\"server\":\"kiln\",\"job\":\"studio-files\",\
        \"kind\":\"history\",\"form\":\"tree\",\"state\":\"whole\",\"ended\":\"2026-11-25T02:31:35Z\",\
        \"sources\":[\"/srv/studio\"],\"files\":4210,\"bytes\":18000000000,\"new_bytes\":32000000,\
        \"run\":\"20261125T023000Z-studio-files\"}\n";
    assert_eq!(render(&[generation("20261125T023000Z")]), expected);
}

#[test]
fn the_last_line_for_a_name_wins() {
    let first = render(&[
        generation("20261124T023000Z"),
        generation("20261125T023000Z"),
    ]);
    let text = first + &render(&[retired("20261124T023000Z")]);
    let (list, troubles) = parse(text.as_bytes());
    assert_eq!(
        list,
        [generation("20261125T023000Z"), retired("20261124T023000Z")]
    );
    assert_eq!(troubles, []);
}

#[test]
fn fields_of_a_newer_version_are_passed_over() {
    let text = render(&[generation("20261125T023000Z")]).replacen('{', "{\"colour\":[1,{}],", 1);
    assert_eq!(
        parse(text.as_bytes()),
        (vec![generation("20261125T023000Z")], vec![])
    );
}

#[test]
fn lines_that_make_no_sense_are_reported_by_number_and_skipped() {
    let good = render(&[generation("20261125T023000Z")]);
    let text = [
        b"\xff\xfe\n".as_slice(),
        good.as_bytes(),
        b"\n{\"name\":\"soon\"}\n\0\0\0\n",
    ]
    .concat();
    let (list, troubles) = parse(&text);
    assert_eq!(list, [generation("20261125T023000Z")]);
    let words: Vec<String> = troubles.iter().map(ToString::to_string).collect();
    assert!(
        words[0].starts_with("catalogue.jsonl:1: not a generation:"),
        "{words:?}"
    );
    assert!(
        words[1].starts_with("catalogue.jsonl:4: not a generation:"),
        "{words:?}"
    );
    assert!(
        words[2].starts_with("catalogue.jsonl:5: not a generation:"),
        "{words:?}"
    );
    assert_eq!(words.len(), 3);
}

#[test]
fn retired_ones_are_forgotten_after_a_year_and_the_living_never() {
    let list = [
        generation("20200101T000000Z"),
        retired("20250101T000000Z"),
        retired("20260101T000000Z"),
        generation("20261125T023000Z"),
    ];
    let names: Vec<_> = listed(&list)
        .iter()
        .map(|one| one.name.to_string())
        .collect();
    assert_eq!(
        names,
        ["20261125T023000Z", "20260101T000000Z", "20200101T000000Z"]
    );
}

#[test]
fn beyond_a_thousand_lines_the_oldest_retired_ones_go_first() {
    let first = night("20261001T000000Z").instant();
    let many: Vec<Generation> = (0..1500_i64)
        .map(|number| {
            let name = GenerationName::at(first + jiff::SignedDuration::from_mins(number));
            let state = if number % 5 == 0 {
                State::Whole
            } else {
                State::Retired
            };
            Generation {
                name,
                state,
                ..generation("20261001T000000Z")
            }
        })
        .collect();
    let (list, _) = parse(render(&many).as_bytes());
    assert_eq!(list.len(), 1000);
    assert_eq!(
        list.iter().filter(|one| one.state == State::Whole).count(),
        300
    );
    let oldest_retired = list
        .iter()
        .rfind(|one| one.state == State::Retired)
        .expect("one");
    let retired: Vec<_> = many
        .iter()
        .filter(|one| one.state == State::Retired)
        .collect();
    assert_eq!(oldest_retired.name, retired[1200 - 700].name);
}

#[test]
fn a_catalogue_is_replaced_as_a_whole_and_what_was_unreadable_is_kept_aside() {
    let folder = tempfile::tempdir().expect("a scratch folder");
    let dir = File::open(folder.path()).expect("the folder");
    assert_eq!(read_in(dir.as_fd()).expect("nothing yet"), (vec![], vec![]));
    let list = [
        generation("20261125T023000Z"),
        generation("20261124T023000Z"),
    ];
    write_in(dir.as_fd(), &list).expect("written");
    assert_eq!(read_in(dir.as_fd()).expect("read"), (list.to_vec(), vec![]));
    let file = folder.path().join(FILE);
    fs::write(&file, "not a catalogue\n").expect("damaged");
    write_in(dir.as_fd(), &list).expect("written");
    assert_eq!(
        fs::read(folder.path().join(DAMAGED)).expect("kept"),
        b"not a catalogue\n"
    );
    assert_eq!(read_in(dir.as_fd()).expect("read"), (list.to_vec(), vec![]));
    let names = fs::read_dir(folder.path()).expect("the folder").count();
    assert_eq!(names, 2, "no leftover stays");
}

#[test]
fn the_catalogue_goes_where_the_open_folder_is_and_not_where_its_path_leads() {
    let place = tempfile::tempdir().expect("a scratch folder");
    let path = place.path().join("job");
    fs::create_dir(&path).expect("a folder");
    let dir = File::open(&path).expect("the folder");
    fs::rename(&path, place.path().join("moved")).expect("moved");
    fs::create_dir(&path).expect("another folder under the path");
    write_in(dir.as_fd(), &[generation("20261125T023000Z")]).expect("written");
    assert!(place.path().join("moved").join(FILE).exists());
    assert_eq!(fs::read_dir(&path).expect("a folder").count(), 0);
}

#[test]
fn a_link_in_the_place_of_the_catalogue_is_not_followed() {
    let folder = tempfile::tempdir().expect("a scratch folder");
    let other = folder.path().join("orders");
    fs::write(&other, "untouched").expect("a file");
    for name in [FILE, ".catalogue.jsonl.new"] {
        std::os::unix::fs::symlink(&other, folder.path().join(name)).expect("a link");
    }
    let dir = File::open(folder.path()).expect("the folder");
    read_in(dir.as_fd()).expect_err("a link");
    write_in(dir.as_fd(), &[generation("20261125T023000Z")]).expect_err("a link");
    assert_eq!(fs::read(&other).expect("the file"), b"untouched");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    #[test]
    fn any_bytes_are_read_without_failing(text in any::<Vec<u8>>()) {
        parse(&text);
    }

    #[test]
    fn a_catalogue_torn_anywhere_loses_the_torn_line_only(cut in 0_usize..2000) {
        let list = ["20261121T023000Z", "20261122T023000Z", "20261123T023000Z", "20261124T023000Z"].map(generation);
        let text = render(&list);
        let cut = cut % text.len();
        let (read, troubles) = parse(&text.as_bytes()[..cut]);
        let ends = text[..cut].matches('\n').count();
        // A line whose end alone is missing is whole.
        let whole = ends + usize::from(text.as_bytes()[cut] == b'\n');
        prop_assert_eq!(read, list[..whole].iter().rev().cloned().collect::<Vec<_>>());
        let torn = whole == ends && !text[..cut].ends_with('\n') && cut > 0;
        let expected = if torn { vec![CatalogueTrouble::Torn { line: ends + 1 }] } else { vec![] };
        prop_assert_eq!(troubles, expected);
    }
}
