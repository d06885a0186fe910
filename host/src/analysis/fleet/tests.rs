//! Rules on rows made by hand; rows out of stores are in `tests/desk`.

use wyelog_protocol::condition::{Condition, Phases};

use super::*;
use crate::time::When;

const HOUR_MS: i64 = 3_600_000;
const NOON_MS: i64 = 1_903_867_200_000;

fn row() -> FleetRow {
    FleetRow {
        last_ms: Some(NOON_MS),
        last_boot: 2,
        intervals: 1440,
        recent: Recent {
            intervals: 1440,
            measured_pu: Some(0.050),
            explained_pu: Some(0.051),
            unexplained_pu: Some(0.02),
            follows: Some(0.98),
            connected: [Some(1.0); 3],
            rated_a: Some(27.8),
            ..Recent::default()
        },
        ..FleetRow::new("Quillmere 3".to_owned(), "L1".to_owned())
    }
}

fn alarm(condition: Condition, boot: u32) -> AlarmRow {
    AlarmRow {
        id: String::new(),
        note: None,
        name: condition.name().to_owned(),
        condition: Some(condition),
        phases: Phases::single(1),
        fraction: None,
        causes: Vec::new(),
        route: Some(condition.route()),
        begin: When { boot, frame: 0, utc_ms: None, is_guessed: false },
        detected_ms: Some(NOON_MS),
        announced_ms: Some(NOON_MS),
        end_ms: None,
        has_announcement: true,
        is_open: true,
        recurs: None,
        duration_s: 60.0,
        recorded_s: 60.0,
        kvarh_lost: None,
    }
}

/// What the row comes to.
fn settled(mut row: FleetRow) -> FleetRow {
    alarms::mark_recurring(&mut row.alarms, row.last_ms, row.last_boot);
    row.observations = observe::observe(&row, Some(NOON_MS));
    row.state = state(&row);
    row
}

#[test]
fn a_row_is_as_urgent_as_its_most_urgent_open_alarm() {
    assert_eq!(settled(row()).state, State::Nothing);
    let mut both = row();
    both.alarms = vec![alarm(Condition::Interruption, 2), alarm(Condition::BlownFuse, 2)];
    let both = settled(both);
    assert_eq!(both.state, State::Crew);
    assert_eq!(both.open().first().unwrap().name, "blown_fuse");
    let mut ended = row();
    ended.alarms = vec![AlarmRow { is_open: false, ..alarm(Condition::BlownFuse, 2) }];
    assert_eq!(settled(ended).state, State::Nothing);
    let mut unannounced = row();
    unannounced.alarms = vec![AlarmRow { has_announcement: false, ..alarm(Condition::BlownFuse, 2) }];
    assert_eq!(settled(unannounced.clone()).state, State::Note);
    // Its announcement must have been lost.
    unannounced.alarms[0].duration_s = 3600.0;
    assert_eq!(settled(unannounced).state, State::Crew);
    let mut newer = row();
    newer.alarms = vec![AlarmRow { condition: None, route: None, ..alarm(Condition::BlownFuse, 2) }];
    assert_eq!(settled(newer).state, State::Look);
}

#[test]
fn an_announcement_counts_while_no_clock_was_set() {
    let mut unset = row();
    unset.alarms = vec![AlarmRow { announced_ms: None, ..alarm(Condition::BlownFuse, 2) }];
    assert_eq!(settled(unset).state, State::Crew);
    // Of the last start, so far as is known; of one before, and where the range has no records, nobody knows how long ago.
    let passed = |boot, last_ms| {
        let mut row = FleetRow { last_ms, ..row() };
        row.alarms = vec![AlarmRow { is_open: false, ..alarm(Condition::Restrike, boot) }];
        settled(row).state
    };
    assert_eq!(passed(2, Some(NOON_MS)), State::Hazard);
    assert_eq!(passed(1, Some(NOON_MS)), State::Nothing);
    let mut dated = FleetRow { last_ms: None, ..row() };
    let begin = When { utc_ms: u64::try_from(NOON_MS).ok(), ..alarm(Condition::Restrike, 2).begin };
    dated.alarms = vec![AlarmRow { is_open: false, begin, ..alarm(Condition::Restrike, 2) }];
    assert_eq!(settled(dated).state, State::Nothing);
}

#[test]
fn what_ends_at_each_opening_and_comes_again_is_pending() {
    const DAY_MS: i64 = 86_400_000;
    // Each of so many days of which the last was so many days ago; the newest first.
    let daily = |condition: Condition, days: i64, ago: i64| {
        let of = |day: i64| AlarmRow {
            is_open: false,
            begin: When { utc_ms: u64::try_from(NOON_MS - day * DAY_MS).ok(), ..alarm(condition, 2).begin },
            ..alarm(condition, 2)
        };
        let mut row = row();
        row.alarms = (ago..ago + days).map(of).collect();
        settled(row)
    };
    let overloaded = daily(Condition::CapacitorOverload, 9, 0);
    assert_eq!(overloaded.state, State::Engineer);
    let pending = overloaded.pending();
    assert_eq!(pending.len(), 1);
    assert_eq!((pending[0].recurs, pending[0].begin.utc_ms), (Some(9), u64::try_from(NOON_MS).ok()));
    assert_eq!(pending[0].when(), "9 times in 30 days, last 2030-05-01 12:00 UTC");
    assert!(overloaded.open().is_empty());
    assert_eq!(daily(Condition::CapacitorOverload, 2, 0).state, State::Nothing);
    assert_eq!(daily(Condition::CapacitorOverload, 9, 31).state, State::Nothing);
    // Two of them within the 30 days.
    assert_eq!(daily(Condition::CapacitorOverload, 9, 29).state, State::Nothing);
    // Nobody needs to know.
    assert_eq!(daily(Condition::Sag, 9, 0).state, State::Nothing);
    // While it goes on it is open, and once.
    let mut open = daily(Condition::CapacitorOverload, 9, 0);
    open.alarms.iter_mut().for_each(|alarm| alarm.recurs = None);
    open.alarms[0].is_open = true;
    assert!(settled(open).pending().iter().all(|alarm| alarm.recurs.is_none() && alarm.is_open));
}

#[test]
fn the_rotation_is_known_where_an_open_alarm_tells_it() {
    let mut reversed = row();
    assert_eq!(reversed.rotation(), None);
    reversed.alarms = vec![alarm(Condition::BlownFuse, 2), alarm(Condition::PhaseRotationReversed, 2)];
    assert_eq!(reversed.rotation(), Some(Rotation::Acb));
    reversed.alarms[1].is_open = false;
    assert_eq!(reversed.rotation(), None);
}

#[test]
fn a_dead_neutral_lead_is_observed_and_a_tolerance_that_cancels_is_not() {
    let with = |measured_pu, explained_pu, follows| {
        let mut row = row();
        row.recent.measured_pu = Some(measured_pu);
        row.recent.explained_pu = Some(explained_pu);
        row.recent.follows = follows;
        settled(row)
    };
    let dead = with(0.004, 0.05, Some(0.01));
    assert_eq!(dead.state, State::Look);
    let said = dead.observations[0].sentence();
    assert!(said.contains("0.11 A measured where the voltages explain 1.39 A"), "{said}");
    assert!(said.contains("treat the star as energised"), "{said}");
    assert_eq!(with(0.004, 0.05, Some(0.97)).state, State::Nothing);
    assert_eq!(with(0.004, 0.05, None).state, State::Nothing);
    assert_eq!(with(0.004, 0.25, None).state, State::Look);
    assert_eq!(with(0.004, 0.02, Some(0.0)).state, State::Nothing);
    // An open alarm says more.
    let mut blown = with(0.004, 0.05, Some(0.01));
    blown.alarms = vec![alarm(Condition::BlownFuse, 2)];
    assert_eq!(settled(blown).observations, []);
}

#[test]
fn other_observations() {
    let mut residual = row();
    residual.recent.unexplained_pu = Some(0.4);
    assert_eq!(settled(residual).state, State::Look);
    let mut silent = row();
    silent.last_ms = Some(NOON_MS - 24 * HOUR_MS);
    assert_eq!(settled(silent.clone()).state, State::Nothing);
    silent.last_ms = Some(NOON_MS - 73 * HOUR_MS);
    let silent = settled(silent);
    assert_eq!(silent.state, State::Note);
    assert!(silent.observations[0].sentence().contains("3 days before"));
    let mut flagged = row();
    flagged.flagged = 144;
    assert_eq!(settled(flagged.clone()).observations, []);
    flagged.flagged = 145;
    assert_eq!(settled(flagged).state, State::Note);
}
