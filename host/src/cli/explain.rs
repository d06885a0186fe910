//! `wyelog explain`

use std::io::Write;

use wyelog::alarms::meaning;
use wyelog::explain::{Case, explain, in_short, to_json};
use wyelog_protocol::condition::{Condition, Phases};

use super::{Failure, Outcome};

/// Say what a condition means: what probably happened, what else it could be, what to look for and bring, what to beware of.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog explain                    every condition in a line, the most urgent first
  wyelog explain blown_fuse
  wyelog explain --json | jq .      one object a condition")]
pub struct Arguments {
    /// Name of the condition, as alarms and JSON have it; all of them unless named
    #[arg(value_name = "CONDITION")]
    condition: Option<String>,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let mut conditions = Condition::ALL.to_vec();
    conditions.sort_by_key(|condition| condition.route());
    if let Some(name) = &arguments.condition {
        conditions.retain(|condition| condition.name() == name.replace('-', "_"));
        if conditions.is_empty() {
            return Err(Failure::new(format!(
                "there is no condition {name}; `wyelog explain` lists those there are"
            )));
        }
    }
    for condition in &conditions {
        let case = Case::only(*condition);
        if arguments.json {
            writeln!(out, "{}", to_json(&case))?;
        } else if arguments.condition.is_some() {
            writeln!(out, "{:12}{} (route: {})", "condition", condition.name(), condition.route().name())?;
            write!(out, "{}", meaning(&explain(&case)))?;
        } else {
            let short = in_short(*condition, Phases::NONE);
            writeln!(out, "{:<24}{:<10}{short}", condition.name(), condition.route().name())?;
        }
    }
    Ok(Outcome::Whole)
}
