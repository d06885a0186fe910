//! `THIRD-PARTY.txt`: whose work is in tool and image, and under which terms.

use crate::Error;
use crate::crates::{Key, Workspace};
use crate::files::{Folder, read_text};
use crate::licences;
use crate::tool::Versions;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use wyelog_task::{BOARDS, TARGET, first_line};

/// Licence texts, each once, numbered from 1 in the order in which they were met.
#[derive(Default)]
struct Texts {
    /// Each with the places where it stands.
    texts: Vec<(String, Vec<String>)>,
    numbers: BTreeMap<String, usize>,
}

impl Texts {
    /// The number of `text`, which stands at `place`.
    fn number(&mut self, text: String, place: String) -> usize {
        let next = self.texts.len() + 1;
        let number = *self.numbers.entry(text.clone()).or_insert(next);
        if number == next {
            self.texts.push((text, Vec::new()));
        }
        if let Some((_, places)) = self.texts.get_mut(number - 1) {
            places.push(place);
        }
        number
    }
}

/// Writes it.
pub fn add(folder: &Folder, workspace: &Workspace, versions: &Versions, host: &str) -> Result<(), Error> {
    let tool = workspace.linked("wyelog", host)?;
    let mut image = BTreeSet::new();
    for board in BOARDS {
        image.extend(workspace.linked(&format!("wyelog-board-{board}"), TARGET)?);
    }
    let rust_library = add_rust_library(folder)?;
    let text = list(workspace, &tool, &image, versions, host, rust_library)?;
    folder.write("THIRD-PARTY.txt", text.as_bytes())
}

fn list(
    workspace: &Workspace,
    tool: &BTreeSet<Key>,
    image: &BTreeSet<Key>,
    versions: &Versions,
    host: &str,
    rust_library: &str,
) -> Result<String, Error> {
    let mut texts = Texts::default();
    let (mut rows, mut without) = (Vec::new(), Vec::new());
    for key in tool.union(image) {
        let about = workspace.about(key)?;
        let licence = about.licence.as_deref().unwrap_or("see its text");
        let place = match (tool.contains(key), image.contains(key)) {
            (true, true) => "both",
            (true, false) => "tool",
            _ => "image",
        };
        let mut numbers = Vec::new();
        for (file, text) in licences::texts(about)? {
            numbers.push(texts.number(text, format!("{} {}: {file}", key.0, key.1)).to_string());
        }
        if numbers.is_empty() {
            without.push(format!("  {} {}: {licence}", key.0, key.1));
            numbers.push("none".to_owned());
        }
        rows.push([format!("{} {}", key.0, key.1), place.to_owned(), licence.to_owned(), numbers.join(" ")]);
    }

    let mut out = format!(
        "Work of others in wyelog {} for {host} and in its firmware image {}\n\n\
         {} crates are linked into the tool, {} into the image. This is what their manifests state and the licence files\n\
         that lie in their sources, also in sources of others that they carry along. {rust_library}\n\n\
         1. Crates: where they are linked into, licence (SPDX expression), numbers of their texts in part 3\n\n",
        versions.tool,
        versions.firmware,
        tool.len(),
        image.len(),
    );
    let width = |column: usize| rows.iter().map(|row| row[column].len()).max().unwrap_or(0);
    let (name, licence) = (width(0), width(2));
    // Writing to a String cannot fail.
    for [crate_name, place, expression, numbers] in &rows {
        let _ = writeln!(out, "  {crate_name:name$}  {place:5}  {expression:licence$}  {numbers}");
    }
    let _ =
        writeln!(out, "\n2. Crates whose sources carry no licence file: the expression is all they state\n");
    let _ = writeln!(out, "{}", if without.is_empty() { "  none".to_owned() } else { without.join("\n") });
    let _ = writeln!(out, "\n3. Texts, each once");
    for (number, (text, places)) in (1..).zip(&texts.texts) {
        let _ = write!(out, "\n{:=<110}\n{number}\n  {}\n{:-<110}\n{text}\n", "", places.join("\n  "), "");
    }
    Ok(out)
}

/// Copies the licences of Rust's own library, which is part of every binary, if the compiler brings them. Says what is known.
fn add_rust_library(folder: &Folder) -> Result<&'static str, Error> {
    const NAME: &str = "THIRD-PARTY-RUST-LIBRARY.html";
    let sysroot = first_line("rustc", &["--print", "sysroot"]).unwrap_or_default();
    let file = std::path::Path::new(&sysroot).join("share/doc/rust/COPYRIGHT-library.html");
    if !file.is_file() {
        return Ok("Rust's own library is in\nboth: MIT OR Apache-2.0.");
    }
    // Without the lines that say where each part can be fetched.
    let text = read_text(&file)?;
    let lines: Vec<&str> = text.lines().filter(|line| !line.contains("<b>URL:</b>")).collect();
    folder.write(NAME, lines.join("\n").as_bytes())?;
    Ok("Rust's own library is in\nboth: MIT OR Apache-2.0, in full in THIRD-PARTY-RUST-LIBRARY.html.")
}
