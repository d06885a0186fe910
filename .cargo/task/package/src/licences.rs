//! The licence texts in a crate's source.

use crate::Error;
use crate::crates::Crate;
use crate::files::{read_text, walk};
use std::path::{Component, Path};

/// How the names of licence files begin, in small letters.
const NAMES: [&str; 7] = ["license", "licence", "copying", "copyright", "notice", "unlicense", "patents"];

/// Endings of code and data: a file named `license.rs` is no licence, `LICENSE.Apache` and `LICENSE-2.0` are.
const CODE: [&str; 9] = ["rs", "c", "h", "py", "toml", "json", "sh", "csv", "yml"];

/// Folders of a source that are not compiled into it.
const NOT_COMPILED: [&str; 8] =
    ["tests", "test", "benches", "examples", "programs", "contrib", "doc", "docs"];

/// Every licence file of a crate with its path in it, also those of sources of others that it carries along.
pub fn texts(of: &Crate) -> Result<Vec<(String, String)>, Error> {
    let stated = of.licence_file.as_ref().map(|file| of.folder.join(file));
    let mut texts = Vec::new();
    for file in walk(&of.folder)? {
        let Ok(path) = file.strip_prefix(&of.folder) else { continue };
        if is_licence(path) || Some(&file) == stated.as_ref() {
            let name = path.display().to_string().replace('\\', "/");
            texts.push((name, tidy(&read_text(&file)?)));
        }
    }
    Ok(texts)
}

fn is_licence(path: &Path) -> bool {
    let small = |part: Component<'_>| part.as_os_str().to_string_lossy().to_lowercase();
    let parts: Vec<String> = path.components().map(small).collect();
    let Some((name, folders)) = parts.split_last() else { return false };
    if folders.iter().any(|folder| NOT_COMPILED.contains(&folder.as_str())) {
        return false;
    }
    let stem = name.split('.').next().unwrap_or(name);
    let ending = path.extension().unwrap_or_default().to_string_lossy().to_lowercase();
    let is_named = NAMES.iter().any(|begin| stem.starts_with(begin));
    let in_folder = folders.iter().any(|folder| folder == "licenses" || folder == "licences");
    !CODE.contains(&ending.as_str()) && (is_named || in_folder)
}

/// Without blanks at line ends and empty lines around it: so the same text is the same in every crate.
fn tidy(text: &str) -> String {
    let lines: Vec<&str> = text.lines().map(str::trim_end).collect();
    lines.join("\n").trim_matches('\n').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn licence_files_by_their_names() {
        for path in [
            "LICENSE",
            "LICENSE-MIT",
            "license-apache-2.0",
            "LICENSE.Apache",
            "COPYING.md",
            "NOTICE",
            "zstd/LICENSE",
            "LICENSES/MIT.txt",
        ] {
            assert!(is_licence(Path::new(path)), "{path}");
        }
        for path in ["src/license.rs", "README.md", "tests/COPYING", "src/licenses/list.json", "Cargo.toml"] {
            assert!(!is_licence(Path::new(path)), "{path}");
        }
    }

    #[test]
    fn the_same_text_is_the_same_whatever_its_line_ends() {
        assert_eq!(tidy("\n\nMIT  \n\n  text\n\n"), "MIT\n\n  text");
    }
}
