//! A batch in which a weight was taken back goes on after a restart like any other.

use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind};

use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{Begun, LOGS, weighed};
use crate::bench_side::person::Person;
use crate::bench_side::{Daemon, config};

#[test]
fn a_weight_that_was_taken_back_does_not_keep_a_batch_from_going_on() {
    let person = Person::new();
    person.configures(&config(&person.path("scale"), "0.01 g"));
    let logs = person.path(LOGS);
    std::fs::create_dir_all(&logs).unwrap();
    let first = Draft {
        target: Some(Mass::from_g(50)),
        ..weighed(1, "Sea salt", "", 50_010)
    };
    // As the engine writes it: no weight and no target.
    let taken_back = Draft {
        net: None,
        note: "corrects seq 3; taken back, to be weighed again".into(),
        kind: RowKind::Weighed,
        ..weighed(1, "Sea salt", "", 0)
    };
    let begun = Begun {
        formula: SOAK,
        label: "Marram soak 1",
        size: Mass::from_g(100),
        jars: None,
        at: "2026-09-01T09:00:00Z",
    };
    begun.written(&logs, "soak-1", &[first, taken_back]);
    let daemon = Daemon::start(&person);
    daemon.until(|| daemon.log().contains("soak-1"));
    assert!(
        daemon
            .log()
            .contains("Going on with batch soak-1: 0 of 3 steps are recorded"),
        "{}",
        daemon.log()
    );
}
