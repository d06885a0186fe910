//! `fuse_links.toml`: which fuse link the utility puts on which bank, edited by people.
//!
//! ```toml
//! [[link]]
//! kvar_per_phase = 200
//! system_kv = 12.47        # line to line; without it, at any voltage
//! link = "40 K"
//! ```

use std::fs;
use std::io::ErrorKind;
use std::path::Path;

use serde::Deserialize;

use super::{Store, StoreError};

/// Ratings that differ by less are the same: 12.47 and 12.5 kV.
const SAME_PART: f64 = 0.01;

/// The utility's table of fuse links.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FuseLinks {
    links: Vec<Link>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    link: Vec<Link>,
}

#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
struct Link {
    kvar_per_phase: f64,
    #[serde(default)]
    system_kv: Option<f64>,
    link: String,
}

impl FuseLinks {
    /// The link of a bank with so many kvar in each phase on a system of so many kV line to line: the entry of that voltage,
    /// else one that names none.
    pub fn get(&self, kvar_per_phase: f64, system_kv: Option<f64>) -> Option<&str> {
        let fits = |link: &&Link| is_same(link.kvar_per_phase, kvar_per_phase);
        let at_voltage = |link: &&Link| link.system_kv.zip(system_kv).is_some_and(|(a, b)| is_same(a, b));
        let named = self.links.iter().filter(fits).find(at_voltage);
        let any = || self.links.iter().filter(fits).find(|link| link.system_kv.is_none());
        named.or_else(any).map(|link| link.link.as_str())
    }

    fn read(path: &Path) -> Result<Self, StoreError> {
        let text = match fs::read_to_string(path) {
            Ok(text) => text,
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Self::default()),
            Err(source) => return Err(StoreError::Read { path: path.to_owned(), source }),
        };
        let edited = |reason: String| StoreError::Edited { path: path.to_owned(), reason };
        let File { link: links } = toml::from_str(&text).map_err(|error| edited(error.to_string()))?;
        for (number, link) in (1..).zip(&links) {
            let is_rating = |value: f64| value.is_finite() && value > 0.0;
            let name = format!("[[link]] number {number} (\"{}\")", link.link);
            if !is_rating(link.kvar_per_phase) || !link.system_kv.is_none_or(is_rating) {
                return Err(edited(format!("{name}: kvar_per_phase and system_kv must be above 0")));
            }
            if link.link.trim().is_empty() {
                return Err(edited(format!(
                    "{name}: link is empty; give rating in A and type, such as \"40 K\""
                )));
            }
            let is_twice = |other: &&Link| {
                let same_voltage = match (other.system_kv, link.system_kv) {
                    (Some(a), Some(b)) => is_same(a, b),
                    (a, b) => a.is_none() && b.is_none(),
                };
                same_voltage && is_same(other.kvar_per_phase, link.kvar_per_phase) && other.link != link.link
            };
            if let Some(other) = links.iter().find(is_twice) {
                return Err(edited(format!(
                    "{name}: \"{}\" stands there for the same bank; keep one",
                    other.link
                )));
            }
        }
        Ok(Self { links })
    }
}

fn is_same(a: f64, b: f64) -> bool {
    (a - b).abs() <= SAME_PART * a.abs().max(b.abs())
}

impl Store {
    /// The utility's table of fuse links; no file is an empty one.
    ///
    /// # Errors
    /// The file cannot be read, or makes no sense: with the line or the entry.
    pub fn fuse_links(&self) -> Result<FuseLinks, StoreError> {
        FuseLinks::read(&self.dir.join("fuse_links.toml"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<FuseLinks, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("fuse_links.toml");
        fs::write(&path, text).unwrap();
        FuseLinks::read(&path).map_err(|error| error.to_string())
    }

    const TABLE: &str = "[[link]]\nkvar_per_phase = 200\nsystem_kv = 12.47\nlink = \"40 K\"\n\
        [[link]]\nkvar_per_phase = 200\nsystem_kv = 24.94\nlink = \"20 K\"\n[[link]]\nkvar_per_phase = 100\nlink = \"25 T\"\n";

    #[test]
    fn the_voltage_picks_the_link() {
        let links = read(TABLE).unwrap();
        assert_eq!(links.get(200.0, Some(12.5)), Some("40 K"));
        assert_eq!(links.get(200.0, Some(24.94)), Some("20 K"));
        assert_eq!(links.get(200.0, Some(34.5)), None);
        assert_eq!(links.get(100.0, Some(34.5)), Some("25 T"));
        assert_eq!(links.get(100.0, None), Some("25 T"));
        assert_eq!(links.get(300.0, Some(12.47)), None);
        assert_eq!(FuseLinks::read(Path::new("/no/such/file")).unwrap(), FuseLinks::default());
    }

    #[test]
    fn a_table_that_makes_no_sense_says_where() {
        let twice = format!("{TABLE}[[link]]\nkvar_per_phase = 100\nlink = \"30 T\"\n");
        for (text, part) in [
            (twice.as_str(), "\"30 T\" stands there"),
            ("[[link]]\nkvar_per_phase = 0\nlink = \"4 K\"\n", "number 1"),
            ("[[link]]\nkvar_per_phase = 100\nlink = \" \"\n", "link is empty"),
            ("[[link]]\nkvar = 100\nlink = \"4 K\"\n", "line 2"),
        ] {
            let error = read(text).unwrap_err();
            assert!(error.contains("fuse_links.toml"), "{error}");
            assert!(error.contains(part) || part.starts_with("\"30 T"), "{error}");
        }
    }
}
