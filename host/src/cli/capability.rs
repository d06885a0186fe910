//! `wyelog capability`

use std::io::Write;
use std::path::PathBuf;

use wyelog::capability::{name, reason, table, to_json, words};
use wyelog_simulator::scenario::BankFile;

use super::sheet;
use super::{Failure, Outcome};

/// Say which conditions a bank's sensors, contact input, switch and fuses let a logger find, and which not.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog capability b3.toml
  wyelog capability b3.toml --json | jq .      one object a condition")]
pub struct Arguments {
    /// What the logger is told about the bank, as for `wyelog replay`
    #[arg(value_name = "BANK.toml")]
    bank: PathBuf,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let settings = BankFile::read(&arguments.bank)?.settings();
    if !arguments.json {
        writeln!(out, "Bank      {}\n", sheet::bank(&settings))?;
    }
    for (condition, capability) in table(&settings) {
        if arguments.json {
            writeln!(out, "{}", to_json(condition, capability))?;
            continue;
        }
        let why = reason(capability).map_or("", words);
        let line =
            format!("{:<24}{:<10}{:<12}{why}", condition.name(), condition.route().name(), name(capability));
        writeln!(out, "{}", line.trim_end())?;
    }
    Ok(Outcome::Whole)
}
