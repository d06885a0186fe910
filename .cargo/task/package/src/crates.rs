//! What is compiled into tool and image: cargo says which crates, and where their sources lie.

use crate::Error;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use wyelog_task::{TARGET, cargo, output_of};

const METADATA: &str = "cargo metadata";

/// A crate of the workspace's lock file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Crate {
    pub version: String,
    /// SPDX expression, if its manifest has one.
    pub licence: Option<String>,
    /// The manifest's `license-file`.
    pub licence_file: Option<PathBuf>,
    /// Where its source lies.
    pub folder: PathBuf,
    /// Whether it comes from a registry: not ours.
    pub is_foreign: bool,
}

/// A crate's name and version.
pub type Key = (String, String);

/// Every crate that host and boards may use.
pub struct Workspace {
    crates: BTreeMap<Key, Crate>,
}

impl Workspace {
    /// Asks cargo.
    pub fn read(host: &str) -> Result<Self, Error> {
        let mut command = cargo();
        command.args(["metadata", "--locked", "--format-version", "1"]);
        command.args(["--filter-platform", host, "--filter-platform", TARGET]);
        Self::parse(&output_of(&mut command)?)
    }

    fn parse(metadata: &str) -> Result<Self, Error> {
        let missing = |what: &str| Error::Cargo { command: METADATA, what: what.to_owned() };
        let metadata: Value = serde_json::from_str(metadata).map_err(|error| missing(&error.to_string()))?;
        let mut crates = BTreeMap::new();
        for package in metadata["packages"].as_array().ok_or_else(|| missing("packages"))? {
            let text = |field: &str| package[field].as_str().map(str::to_owned);
            let wanted = |field: &str| text(field).ok_or_else(|| missing(field));
            let (name, version) = (wanted("name")?, wanted("version")?);
            let manifest = PathBuf::from(wanted("manifest_path")?);
            let found = Crate {
                version: version.clone(),
                licence: text("license"),
                licence_file: text("license_file").map(PathBuf::from),
                folder: manifest.parent().unwrap_or(Path::new("")).to_owned(),
                is_foreign: !package["source"].is_null(),
            };
            crates.insert((name, version), found);
        }
        Ok(Self { crates })
    }

    /// The version of one of our own crates.
    pub fn version(&self, name: &str) -> Result<&str, Error> {
        let ours = self.crates.iter().find(|((found, _), about)| found == name && !about.is_foreign);
        let missing = || Error::Cargo { command: METADATA, what: format!("a crate {name}") };
        ours.map(|(_, about)| about.version.as_str()).ok_or_else(missing)
    }

    /// The foreign crates that are linked into `package` for `target`; macros and build scripts stay outside.
    pub fn linked(&self, package: &str, target: &str) -> Result<BTreeSet<Key>, Error> {
        let mut command = cargo();
        command.args(["tree", "--locked", "--edges", "normal,no-proc-macro", "--prefix", "none"]);
        command.args(["--format", "{p}", "--package", package, "--target", target]);
        let mut linked = tree_lines(&output_of(&mut command)?);
        linked.retain(|key| self.crates.get(key).is_none_or(|about| about.is_foreign));
        Ok(linked)
    }

    /// What is known about a crate.
    pub fn about(&self, key: &Key) -> Result<&Crate, Error> {
        let missing = || Error::Cargo { command: METADATA, what: format!("the crate {} {}", key.0, key.1) };
        self.crates.get(key).ok_or_else(missing)
    }
}

/// Names and versions out of lines such as `heapless v0.9.4 (*)`.
fn tree_lines(text: &str) -> BTreeSet<Key> {
    let mut keys = BTreeSet::new();
    for line in text.lines() {
        let mut words = line.split_whitespace();
        if let (Some(name), Some(version)) = (words.next(), words.next()) {
            keys.insert((name.to_owned(), version.trim_start_matches('v').to_owned()));
        }
    }
    keys
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_of_a_tree() {
        let text =
            "wyelog v0.1.0 (somewhere)\nheapless v0.9.4\n\nheapless v0.9.4 (*)\nlz4-sys v1.11.1+lz4-1.10.0\n";
        let keys: Vec<_> =
            tree_lines(text).into_iter().map(|(name, version)| format!("{name} {version}")).collect();
        assert_eq!(keys, ["heapless 0.9.4", "lz4-sys 1.11.1+lz4-1.10.0", "wyelog 0.1.0"]);
    }

    #[test]
    fn an_answer_of_another_kind_is_named() {
        for (answer, what) in
            [("{", "EOF"), ("{}", "packages"), (r#"{"packages":[{"name":"a"}]}"#, "version")]
        {
            let Err(error) = Workspace::parse(answer) else { panic!("{answer} was understood") };
            assert!(error.to_string().contains(what), "{error}");
        }
    }
}
