//! The commands by who asks: what `wyelog --help` shows. A command that stands in no group fails a test.

use std::fmt::Write;

use clap::Command;
use clap::builder::Styles;

/// Who asks of a store, which a build without tables has none of.
const DESK: &str = "At the desk";

/// Who asks, and with what. A name that this build has no command for is passed over.
const GROUPS: [(&str, &[&str]); 3] = [
    ("To look around, with nothing attached", &["demo", "try", "replay", "emulate", "explain"]),
    ("At the device", &["download", "baseline", "clock", "alarms", "captures", "capability"]),
    (
        DESK,
        &[
            "ingest",
            "banks",
            "compact",
            "report",
            "serve",
            "worklist",
            "alarms",
            "acknowledge",
            "unbalance",
            "kvar",
            "switching",
            "stress",
            "usage",
            "quality",
            "certificate",
            "whatif",
            "sql",
            "export",
        ],
    ),
];

/// Columns of the text: as the library has it where there is no terminal.
const WIDTH: usize = 100;

/// The command, with its own commands in groups.
pub fn grouped(command: Command) -> Command {
    let (style, literal) = (*Styles::default().get_header(), *Styles::default().get_literal());
    let about = |name: &str| {
        let command = command.find_subcommand(name).filter(|command| !command.is_hide_set())?;
        Some(command.get_about().map(ToString::to_string).unwrap_or_default())
    };
    let names = GROUPS.iter().flat_map(|(_, names)| *names);
    let indent = names.map(|name| name.len()).max().unwrap_or(0) + 4;
    let mut text = String::new();
    for (who, names) in GROUPS.into_iter().filter(|(who, _)| cfg!(feature = "desk") || *who != DESK) {
        let lines = names.iter().filter_map(|name| {
            let gap = " ".repeat(indent - 2 - name.len());
            Some(format!("  {literal}{name}{literal:#}{gap}{}\n", wrapped(&about(name)?, indent)))
        });
        let lines: String = lines.collect();
        if !lines.is_empty() {
            // Into a string: it cannot fail.
            let _ = write!(text, "{style}{who}:{style:#}\n{lines}\n");
        }
    }
    let template = format!(
        "{{before-help}}{{about-with-newline}}\n{{usage-heading}} {{usage}}\n\n{text}{style}Options:{style:#}\n{{options}}\
         {{after-help}}"
    );
    command.help_template(template)
}

/// A sentence in lines, all but the first indented.
fn wrapped(sentence: &str, indent: usize) -> String {
    let mut text = String::new();
    let mut column = indent;
    for word in sentence.split_whitespace() {
        let length = word.chars().count();
        if column > indent && column + 1 + length > WIDTH {
            text.push('\n');
            text.push_str(&" ".repeat(indent));
            column = indent;
        } else if column > indent {
            text.push(' ');
            column += 1;
        }
        text.push_str(word);
        column += length;
    }
    text
}

#[cfg(test)]
mod tests {
    use super::{GROUPS, WIDTH, grouped, wrapped};
    use clap::{Command, CommandFactory};

    #[test]
    fn every_command_stands_in_a_group() {
        let command = crate::cli::Arguments::command();
        for command in command.get_subcommands().filter(|command| !command.is_hide_set()) {
            let name = command.get_name();
            let groups = GROUPS.iter().filter(|(_, names)| names.contains(&name)).count();
            // The alarms of a log are asked for at the device, those of a store at the desk.
            let expected = if name == "alarms" && cfg!(feature = "desk") { 2..=2 } else { 1..=2 };
            assert!(expected.contains(&groups), "{name}: add it to GROUPS in host/src/cli/groups.rs");
        }
    }

    #[test]
    fn only_what_there_is_is_shown() {
        let command = Command::new("tool")
            .subcommand(Command::new("demo").about("All of it"))
            .subcommand(Command::new("try").about("Hidden").hide(true))
            .subcommand(Command::new("kvar").about("kvar"));
        let help = grouped(command).render_help().to_string();
        let of = |text: &str| help.find(text).unwrap_or_else(|| panic!("{text} is not in {help}"));
        assert!(
            of("To look around") < of("demo")
                && of("demo") < of("At the desk")
                && of("At the desk") < of("kvar")
        );
        assert!(!help.contains("At the device") && !help.contains("Hidden"), "{help}");
    }

    #[test]
    fn a_long_sentence_goes_on_below_its_beginning() {
        let text = format!("{} end", "a".repeat(WIDTH - 10 - 3));
        assert_eq!(wrapped(&text, 10), format!("{}\n          end", "a".repeat(WIDTH - 13)));
        assert_eq!(wrapped("no longer", 10), "no longer");
    }
}
