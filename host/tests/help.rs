//! The binary is there and explains itself. (An integration test of this crate also makes cargo build the binary, which
//! the tests in `tests/desk` run.)

use std::process::{Command, Output};

fn wyelog(words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_wyelog")).args(words).output().unwrap()
}

/// What `--help` shows: who asks, and the commands for them.
fn groups() -> Vec<(String, Vec<String>)> {
    let text = String::from_utf8(wyelog(&["--help"]).stdout).unwrap();
    let mut groups: Vec<(String, Vec<String>)> = Vec::new();
    for line in text.lines() {
        let name = line.strip_prefix("  ").filter(|line| !line.starts_with(' '));
        match (name, line.strip_suffix(':')) {
            (None, Some(head)) => groups.push((head.to_owned(), Vec::new())),
            (Some(line), _) => {
                if let (Some((_, names)), Some(name)) = (groups.last_mut(), line.split_whitespace().next()) {
                    names.push(name.to_owned());
                }
            }
            _ => {}
        }
    }
    groups.retain(|(head, _)| head.starts_with("To ") || head.starts_with("At "));
    groups
}

#[test]
fn commands_are_grouped_by_who_asks() {
    let groups = groups();
    let heads: Vec<&str> = groups.iter().map(|(head, _)| head.as_str()).collect();
    let desk = cfg!(feature = "desk").then_some("At the desk");
    let expected = ["To look around, with nothing attached", "At the device"];
    assert_eq!(heads, expected.into_iter().chain(desk).collect::<Vec<_>>());
    let has =
        |head: &str, name: &str| groups.iter().any(|(h, names)| h == head && names.iter().any(|n| n == name));
    assert!(has("At the device", "download") && has("To look around, with nothing attached", "try"));
    // Built without the tables' library, the commands of the desk are not there.
    let is_desk = cfg!(feature = "desk");
    for name in ["ingest", "report", "unbalance", "kvar", "alarms", "sql", "export"] {
        assert_eq!(has("At the desk", name), is_desk, "{name}: {groups:?}");
    }
    assert!(has("At the device", "alarms"));
}

#[test]
fn every_command_explains_itself_with_examples() {
    let commands: std::collections::BTreeSet<String> =
        groups().into_iter().flat_map(|(_, names)| names).collect();
    assert!(commands.len() >= 10, "{commands:?}");
    for command in &commands {
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
