//! The live page over plain HTTP: what it shows, whom it lets in, what it does not do.

mod access;
mod follows;
mod pages;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use serde_json::Value;
use wyelog_desk_tests::fabricate::{Fabricated, Story};
use wyelog_desk_tests::python::python;
use wyelog_desk_tests::repository;
use wyelog_desk_tests::serving::{Answer, desk};

const WELL: Fabricated<'_> =
    Fabricated { serial: "L1", bank: "Alder 1", interval_s: 600, intervals: 1008, story: Story::Healthy };
const BLOWN: Fabricated<'_> = Fabricated {
    serial: "L2",
    bank: "<b>&\"Quill'mere\"/ 3+ü",
    story: Story::BlownFuse { phase: 1, at: 500, until: None },
    ..WELL
};
const DEAD_LEAD: Fabricated<'_> =
    Fabricated { serial: "L3", bank: "Alder 9", story: Story::DeadNeutral { at: 600 }, ..WELL };

fn fleet() -> tempfile::TempDir {
    let folder = desk([WELL, BLOWN, DEAD_LEAD].map(|bank| bank.log()));
    let banks = [(BLOWN.bank, "East & <West>"), (WELL.bank, "North")];
    let banks = banks.map(|(bank, feeder)| (bank.to_owned(), feeder.to_owned()));
    let banks = wyelog::store::Banks::new(banks).text().unwrap();
    fs::write(folder.path().join("desk/banks.toml"), banks).unwrap();
    folder
}

/// What html5lib makes of a page; panics at any error of the HTML.
fn read(folder: &Path, html: &str) -> Value {
    static PYTHON: OnceLock<PathBuf> = OnceLock::new();
    fs::write(folder.join("page.html"), html).unwrap();
    let mut reader = Command::new(PYTHON.get_or_init(python));
    reader.arg(repository("tests/desk/read_report.py")).arg("page.html").current_dir(folder);
    let output = reader.output().unwrap();
    assert!(output.status.success(), "{}\n{html}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn texts(value: &Value) -> Vec<&str> {
    value.as_array().unwrap().iter().map(|text| text.as_str().unwrap()).collect()
}

fn banks(read: &Value) -> Vec<String> {
    read["rows"].as_array().unwrap().iter().map(|row| row[1].as_str().unwrap().to_owned()).collect()
}

/// The words of a page that says something.
fn words(answer: &Answer) -> String {
    let words = answer.body.split("id=\"words\">").nth(1).and_then(|rest| rest.split("</p>").next());
    words.unwrap_or_else(|| panic!("{answer:?}")).to_owned()
}

/// Which stretch a page of a bank shows.
fn shown(answer: &Answer) -> &str {
    let shown = answer.body.split("Shown: ").nth(1).and_then(|rest| rest.split("<span").next());
    shown.unwrap_or_else(|| panic!("{}", answer.status))
}

fn headers_are_sound(answer: &Answer) {
    let policy = answer.header("content-security-policy").unwrap();
    assert!(policy.starts_with("default-src 'none';") && !policy.contains("unsafe"), "{policy}");
    assert!(policy.contains("frame-ancestors 'none'") && !policy.contains('*'), "{policy}");
    assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
    assert_eq!(answer.header("referrer-policy"), Some("no-referrer"));
    assert_eq!(answer.header("cache-control"), Some("no-store"));
    assert!(!answer.headers.iter().any(|(name, _)| name.starts_with("access-control-")), "{answer:?}");
}
