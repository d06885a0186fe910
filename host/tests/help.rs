//! The binary is there and explains itself. (An integration test of this crate also makes cargo build the binary, which
//! the tests in `tests/desk` run.)

use std::process::{Command, Output};

fn wyelog(words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_wyelog")).args(words).output().unwrap()
}

#[test]
fn every_command_explains_itself_with_examples() {
    let without_tables =
        ["try", "replay", "emulate", "download", "clock", "alarms", "captures", "explain", "capability"];
    // Built without the tables' library, the commands of the desk are not there.
    let with_tables =
        ["demo", "ingest", "report", "unbalance", "kvar", "acknowledge", "worklist", "certificate", "whatif"];
    let commands =
        without_tables.into_iter().chain(with_tables.into_iter().filter(|_| cfg!(feature = "desk")));
    for command in commands {
        let output = wyelog(&[command, "--help"]);
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success(), "{command}");
        assert!(text.contains("Examples:") && text.contains(&format!("wyelog {command}")), "{text}");
    }
}

#[test]
fn wrong_usage_is_told_apart_from_failure() {
    assert_eq!(wyelog(&["measure"]).status.code(), Some(2));
    assert_eq!(wyelog(&["replay", "a.cfg"]).status.code(), Some(2));
    assert_eq!(wyelog(&["alarms", "there-is-no-such-file"]).status.code(), Some(1));
    assert_eq!(wyelog(&["--version"]).status.code(), Some(0));
}
