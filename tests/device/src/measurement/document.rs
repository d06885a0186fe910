//! The committed results: the tables in pages of `firmware/`, and the pictures beside them.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// A page whose tables are written by a program, between two lines.
#[derive(Clone, Copy, Debug)]
pub struct Page {
    name: &'static str,
    marks: [&'static str; 2],
}

/// How exact the measurement is.
pub const MEASUREMENT: Page = Page {
    name: "MEASUREMENT.md",
    marks: ["<!-- the sweep's table begins -->\n", "<!-- the sweep's table ends -->\n"],
};
/// How well faults are found and named.
pub const DETECTION: Page = Page {
    name: "DETECTION.md",
    marks: ["<!-- the study's tables begin -->\n", "<!-- the study's tables end -->\n"],
};

/// Where the documents are.
fn firmware(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../firmware").join(name)
}

impl Page {
    /// The committed tables, line ends as on Unix.
    ///
    /// # Errors
    /// The document cannot be read, or its marks are not there.
    pub fn committed(&self) -> io::Result<String> {
        let text = self.text()?;
        let [_, table, _] = self.parts(&text)?;
        Ok(table.to_owned())
    }

    /// Writes tables and pictures, each with its file name.
    ///
    /// # Errors
    /// The document cannot be read or written, or its marks are not there.
    pub fn write(&self, table: &str, pictures: &[(&str, String)]) -> io::Result<()> {
        let text = self.text()?;
        let [before, _, after] = self.parts(&text)?;
        let [begin, end] = self.marks;
        fs::write(firmware(self.name), format!("{before}{begin}{table}{end}{after}"))?;
        pictures.iter().try_for_each(|(name, svg)| fs::write(firmware(name), svg))
    }

    fn text(&self) -> io::Result<String> {
        Ok(fs::read_to_string(firmware(self.name))?.replace("\r\n", "\n"))
    }

    fn parts<'t>(&self, text: &'t str) -> io::Result<[&'t str; 3]> {
        let [begin, end] = self.marks;
        text.split_once(begin)
            .and_then(|(before, rest)| rest.split_once(end).map(|(table, after)| [before, table, after]))
            .ok_or_else(|| {
                io::Error::other(format!("firmware/{} has lost the marks around its tables", self.name))
            })
    }
}
