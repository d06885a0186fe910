//! The package's folder and its checksums.

use crate::Error;
use sha2::{Digest, Sha256};
use std::fmt::Write;
use std::fs::{self, File};
use std::path::{Path, PathBuf};

/// Name of the file that lists the checksums of all others, as `sha256sum -c` reads it.
const SUMS: &str = "SHA256SUMS";

/// A package's folder. Paths in it are written with slashes on every system.
pub struct Folder(PathBuf);

impl Folder {
    /// Makes it, empty. A package that is there is removed; anything else is not.
    pub fn make(path: &Path) -> Result<Self, Error> {
        if path.exists() {
            let mut entries = fs::read_dir(path).map_err(Error::file(path))?;
            if !path.join(SUMS).is_file() && entries.next().is_some() {
                return Err(Error::NotOurs(path.to_owned()));
            }
            fs::remove_dir_all(path).map_err(Error::file(path))?;
        }
        fs::create_dir_all(path).map_err(Error::file(path))?;
        // Broken off, it can still be known for ours.
        fs::write(path.join(SUMS), "").map_err(Error::file(path))?;
        Ok(Self(path.to_owned()))
    }

    pub fn path(&self) -> &Path {
        &self.0
    }

    /// Writes a file.
    pub fn write(&self, name: &str, bytes: &[u8]) -> Result<(), Error> {
        let path = self.place(name)?;
        fs::write(&path, bytes).map_err(Error::file(path))
    }

    /// Copies a file, with its permissions.
    pub fn copy(&self, from: &Path, name: &str) -> Result<(), Error> {
        let path = self.place(name)?;
        fs::copy(from, &path).map_err(Error::file(from)).map(drop)
    }

    fn place(&self, name: &str) -> Result<PathBuf, Error> {
        let path = self.0.join(name);
        let parent = path.parent().unwrap_or(&self.0);
        fs::create_dir_all(parent).map_err(Error::file(parent))?;
        Ok(path)
    }

    /// Writes the checksums of every file, by name.
    pub fn write_sums(&self) -> Result<(), Error> {
        let mut text = String::new();
        for file in walk(&self.0)? {
            let name = slashed(file.strip_prefix(&self.0).unwrap_or(&file));
            if name != SUMS {
                // Writing to a String cannot fail.
                let _ = writeln!(text, "{}  {name}", sha256(&file)?);
            }
        }
        self.write(SUMS, text.as_bytes())
    }
}

/// Every file below `folder`, sorted by name as slashes make it.
pub fn walk(folder: &Path) -> Result<Vec<PathBuf>, Error> {
    let mut files = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).map_err(Error::file(&folder))? {
            let path = entry.map_err(Error::file(&folder))?.path();
            if path.is_dir() { folders.push(path) } else { files.push(path) }
        }
    }
    files.sort_by_cached_key(|file| slashed(file));
    Ok(files)
}

fn slashed(path: &Path) -> String {
    path.components().map(|part| part.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/")
}

/// SHA-256 of a file, in hexadecimal.
pub fn sha256(path: &Path) -> Result<String, Error> {
    let mut file = File::open(path).map_err(Error::file(path))?;
    let mut hasher = Hasher(Sha256::new());
    std::io::copy(&mut file, &mut hasher).map_err(Error::file(path))?;
    Ok(hasher.0.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
}

struct Hasher(Sha256);

impl std::io::Write for Hasher {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// A text file, with line ends as Unix has them.
pub fn read_text(path: &Path) -> Result<String, Error> {
    let bytes = fs::read(path).map_err(Error::file(path))?;
    Ok(String::from_utf8_lossy(&bytes).replace("\r\n", "\n"))
}

/// The files that a Markdown text links to or shows: relative ones, without their anchors.
pub fn links(markdown: &str) -> impl Iterator<Item = &str> {
    let targets = markdown.split("](").skip(1).filter_map(|rest| rest.split([')', ' ', '#']).next());
    targets.filter(|target| !target.is_empty() && !target.contains(':') && !target.contains(".."))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_are_those_of_the_standard() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        fs::write(&path, "abc").unwrap();
        // FIPS 180-4, example of one block.
        assert_eq!(
            sha256(&path).unwrap(),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn a_folder_of_others_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("package");
        Folder::make(&path).unwrap().write("old", b"old").unwrap();
        Folder::make(&path).unwrap().write("new", b"new").unwrap();
        assert!(!path.join("old").exists() && path.join("new").exists());
        fs::remove_file(path.join(SUMS)).unwrap();
        assert!(matches!(Folder::make(&path), Err(Error::NotOurs(_))));
        assert!(path.join("new").exists());
    }

    #[test]
    fn links_are_relative_files() {
        let text =
            "[a](host/STORE.md) ![b](p.png \"title\") [c](https://example.org/x) [d](#here) [e](W.md#s)";
        assert_eq!(links(text).collect::<Vec<_>>(), ["host/STORE.md", "p.png", "W.md"]);
    }
}
