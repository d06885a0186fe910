//! `wyelog documents`: what a package holds beside the program and is made out of its command line.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Command;
use clap_complete::Shell;
use clap_mangen::Man;

use super::{Failure, Outcome};

/// Whose completions are written.
const SHELLS: [Shell; 4] = [Shell::Bash, Shell::Zsh, Shell::Fish, Shell::PowerShell];

/// Write shell completions and manual pages
///
/// They go into DIR/completions and DIR/man/man1: one manual page for the program and one for each command.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// Folder to write into; it is made if it is not there
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

/// Does it.
pub fn run(arguments: &Arguments, command: Command, out: &mut impl Write) -> Result<Outcome, Failure> {
    let completions = folder(&arguments.out.join("completions"))?;
    let shown = command.get_subcommands().filter(|command| !command.is_hide_set()).cloned();
    // A command cannot be taken out of another: what is completed is made anew, without this one.
    let mut completed =
        Command::new("wyelog").version(wyelog::VERSION).args(command.get_arguments()).subcommands(shown);
    for shell in SHELLS {
        let path = clap_complete::generate_to(shell, &mut completed, "wyelog", &completions)
            .map_err(|error| cannot_write(&completions, &error))?;
        writeln!(out, "{}", path.display())?;
    }
    let folder = folder(&arguments.out.join("man").join("man1"))?;
    let mut command = command.disable_help_subcommand(true);
    command.build();
    let shown: Vec<_> = command.get_subcommands().filter(|command| !command.is_hide_set()).cloned().collect();
    for command in std::iter::once(command).chain(shown) {
        let man = Man::new(command.clone()).source(format!("wyelog {}", wyelog::VERSION)).manual("wyelog");
        let path = folder.join(man.get_filename());
        std::fs::write(&path, page(&man, &command)?).map_err(|error| cannot_write(&path, &error))?;
        writeln!(out, "{}", path.display())?;
    }
    Ok(Outcome::Whole)
}

/// A manual page. The library would run the examples of `after_help` into one paragraph.
fn page(man: &Man, command: &Command) -> Result<Vec<u8>, Failure> {
    let mut page = Vec::new();
    man.render_title(&mut page)?;
    man.render_name_section(&mut page)?;
    man.render_synopsis_section(&mut page)?;
    man.render_description_section(&mut page)?;
    man.render_options_section(&mut page)?;
    if command.has_subcommands() {
        man.render_subcommands_section(&mut page)?;
    }
    let more = command.get_after_help().map(ToString::to_string).unwrap_or_default();
    let (notes, examples) = more.split_once("Examples:\n").unwrap_or((&more, ""));
    section(&mut page, "NOTES", notes, false);
    section(&mut page, "EXAMPLES", examples, true);
    Ok(portable(&String::from_utf8_lossy(&page)).into_bytes())
}

/// A typesetter may read a page as Latin-1: what is not ASCII is written as its escape.
fn portable(page: &str) -> String {
    let mut text = String::with_capacity(page.len());
    for character in page.chars() {
        if character.is_ascii() {
            text.push(character);
        } else {
            text.push_str(&format!("\\[u{:04X}]", u32::from(character)));
        }
    }
    text
}

/// A section of lines, which stay as they are or become paragraphs, or nothing if there are none.
fn section(page: &mut Vec<u8>, heading: &str, lines: &str, as_they_are: bool) {
    if lines.trim().is_empty() {
        return;
    }
    let mut text = format!(".SH {heading}\n");
    if as_they_are {
        text.push_str(".nf\n");
    }
    for line in lines.trim_end().lines() {
        if line.is_empty() && !as_they_are {
            text.push_str(".PP\n");
            continue;
        }
        // A dot or an apostrophe that begins a line would be a command to the typesetter.
        text.push_str(r"\&");
        text.push_str(&line.replace('\\', r"\e").replace('-', r"\-"));
        text.push('\n');
    }
    if as_they_are {
        text.push_str(".fi\n");
    }
    page.extend_from_slice(text.as_bytes());
}

fn folder(path: &Path) -> Result<PathBuf, Failure> {
    std::fs::create_dir_all(path).map_err(|error| cannot_write(path, &error))?;
    Ok(path.to_owned())
}

fn cannot_write(path: &Path, error: &std::io::Error) -> Failure {
    Failure::new(format!("cannot write {}: {error}; choose another --out", path.display()))
}

#[cfg(test)]
mod tests {
    use super::portable;

    #[test]
    fn what_is_not_ascii_becomes_the_typesetter_s_escape() {
        // groff_char(7): a character by its code point, at least four digits.
        assert_eq!(portable("events … 5 µs 𝜎"), "events \\[u2026] 5 \\[u00B5]s \\[u1D70E]");
        assert_eq!(portable(".TH a 1\n\\-b"), ".TH a 1\n\\-b");
    }
}
