//! `protocol/CHANGES.md` speaks of the schema that is in use.

use wyelog_protocol::SCHEMA;
use wyelog_protocol::record::KINDS;

fn changes() -> String {
    let path = wyelog_task::root().join("protocol/CHANGES.md");
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Whoever changes the schema comes by here, and writes down what a reader has to do.
#[test]
fn the_newest_entry_is_of_this_schema() {
    let text = changes();
    let hash = format!("`{SCHEMA:016x}`");
    let top = text.lines().find(|line| line.starts_with("Schema now: ")).expect("the line 'Schema now:'");
    assert!(
        top.contains(&hash),
        "protocol/CHANGES.md: the schema is {hash} now; say so at the top, and what has changed in an entry"
    );
    let entry = text.lines().find(|line| line.starts_with("**2")).expect("a dated entry");
    assert!(
        entry.contains(&hash),
        "protocol/CHANGES.md: the newest entry is not of the schema {hash}: {entry}"
    );
}

#[test]
fn every_kind_of_record_has_its_entry() {
    let text = changes();
    for (kind, _) in KINDS {
        let name = format!("`{} ", kind.number());
        assert!(text.contains(&name), "protocol/CHANGES.md names no record kind {}", kind.number());
    }
}
