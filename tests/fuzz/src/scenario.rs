//! Any text as a scenario and as a bank file.

use wyelog_simulator::scenario::{BankFile, Scenario};

/// One input.
pub fn run(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    if let Ok(scenario) = Scenario::parse("fuzz.toml", text) {
        let _ = scenario.settings();
    }
    if let Ok(bank) = BankFile::parse("fuzz.toml", text) {
        let _ = (bank.settings(), bank.corrections());
    }
}
