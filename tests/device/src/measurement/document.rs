//! The committed results: the table in `firmware/MEASUREMENT.md` and the picture beside it.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// The table stands between these lines.
const MARKS: [&str; 2] = ["<!-- the sweep's table begins -->\n", "<!-- the sweep's table ends -->\n"];

/// Where the documents are.
fn firmware(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../firmware").join(name)
}

/// The committed table, line ends as on Unix.
///
/// # Errors
/// The document cannot be read, or its marks are not there.
pub fn committed() -> io::Result<String> {
    let text = fs::read_to_string(firmware("MEASUREMENT.md"))?.replace("\r\n", "\n");
    let [_, table, _] = parts(&text)?;
    Ok(table.to_owned())
}

/// Writes table and picture.
///
/// # Errors
/// The document cannot be read or written, or its marks are not there.
pub fn write(table: &str, svg: &str) -> io::Result<()> {
    let path = firmware("MEASUREMENT.md");
    let text = fs::read_to_string(&path)?.replace("\r\n", "\n");
    let [before, _, after] = parts(&text)?;
    let [begin, end] = MARKS;
    fs::write(path, format!("{before}{begin}{table}{end}{after}"))?;
    fs::write(firmware("measurement.svg"), svg)
}

fn parts(text: &str) -> io::Result<[&str; 3]> {
    let [begin, end] = MARKS;
    text.split_once(begin)
        .and_then(|(before, rest)| rest.split_once(end).map(|(table, after)| [before, table, after]))
        .ok_or_else(|| io::Error::other("firmware/MEASUREMENT.md has lost the marks around its table"))
}
