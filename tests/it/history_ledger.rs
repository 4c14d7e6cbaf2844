//! The ledger of a job's space, kept from night to night, against du(1), which looks at everything.

use std::process::Command;

use hayloft::jobs::Name;
use hayloft::record::Store;

use crate::random::Random;
use crate::world::{World, ok};

const JOB: &str = "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\ncap = \"150 MB\"\n\n\
    [[keep]]\nevery = \"1 day\"\nfor = \"4 days\"\n";

fn du(world: &World) -> u64 {
    let out = ok(Command::new("du")
        .args(["-s", "--block-size=1"])
        .arg(world.copies("orders")));
    let text = String::from_utf8(out.stdout).unwrap();
    text.split_whitespace().next().unwrap().parse().unwrap()
}

fn ledger(world: &World) -> hayloft::keep::Ledger {
    let (store, _) = Store::open(&world.state()).unwrap();
    let name = |text: &str| Name::parse(text).unwrap();
    let ledger = store.ledger(&name("shelf"), &name("kiln"), &name("orders"));
    ledger.unwrap().expect("a ledger")
}

#[test]
fn after_nights_of_changes_and_retirements_the_ledger_says_what_du_says() {
    let Some(world) = World::new(300) else {
        return;
    };
    world.job("orders", JOB);
    let mut random = Random::new("HAYLOFT_SEED");
    let file = |number: u64| format!("shelf-{}/order-{number}.txt", number % 5);
    for day in 1..=12_u8 {
        for _ in 0..25 {
            let number = random.below(60);
            let length = usize::try_from(random.below(60_000)).unwrap();
            world.write_source(&file(number), vec![day; length]);
        }
        let gone = world.source().join(file(random.below(60)));
        let _ = std::fs::remove_file(gone);
        let joined = world.source().join(format!("joined-{}", day % 3));
        let _ = std::fs::remove_file(&joined);
        let _ = std::fs::hard_link(world.source().join(file(random.below(60))), joined);
        let clock = format!("2026-11-{day:02}T02:30:00Z");
        let run = world.run_json(&["--clock", &clock, "run", "orders"], 0);
        assert_eq!(run["outcome"], "well", "{run}");
        let booked = ledger(&world).to_space_map().total().bytes();
        let found = du(&world);
        // beside the generations: the catalogue, which grows, and the job's own folder
        assert!(
            booked.abs_diff(found) <= 16_384,
            "day {day}: {booked} {found}"
        );
    }
    assert!(ledger(&world).nights() >= 10, "nothing was measured anew");
}
