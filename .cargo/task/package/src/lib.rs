//! Makes the folder that is handed out: the tool, the firmware image, what people read beside them, and checksums.
//!
//! Everything comes from the source tree, from cargo and from the tool itself, so a package can be made from an unpacked
//! source archive (no git) and, once the crates are fetched, without a network (`CARGO_NET_OFFLINE=true`). Beside the tool's
//! binary, the same sources and compiler give the same bytes.

#![forbid(unsafe_code)]

mod crates;
mod error;
mod files;
mod firmware;
mod licences;
mod third_party;
mod tool;

pub use error::Error;

use crates::Workspace;
use files::Folder;
use std::path::{Path, PathBuf};

/// How the tool is built.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Profile {
    /// As it is handed out: optimised, in a target folder of its own, without this machine's folders in it.
    #[default]
    Release,
    /// As tests use it; the package's folder ends in `-dev`.
    Dev,
}

/// What goes into a package and where it is made.
#[derive(Clone, Debug)]
pub struct Options {
    /// How the tool is built.
    pub profile: Profile,
    /// A tool that is built already, taken as it is.
    pub binary: Option<PathBuf>,
    /// The folder in which the package's folder is made.
    pub out: PathBuf,
}

impl Default for Options {
    fn default() -> Self {
        Self { profile: Profile::Release, binary: None, out: wyelog_task::target_dir().join("package") }
    }
}

/// Makes a package and says where its folder is. One that is there already is replaced.
///
/// # Errors
/// [`Error`]: a build failed, a file cannot be read or written, or the tool is not of this source tree.
pub fn package(options: &Options) -> Result<PathBuf, Error> {
    let root = wyelog_task::root();
    let host = wyelog_task::first_line("rustc", &["--print", "host-tuple"]).ok_or(Error::NoHost)?;
    let workspace = Workspace::read(&host)?;
    let tool = match &options.binary {
        Some(path) => path.clone(),
        None => tool::build(options.profile)?,
    };
    let versions = tool::versions(&tool)?;
    versions.check(&workspace)?;

    let ending = if options.profile == Profile::Dev { "-dev" } else { "" };
    let name = format!("wyelog-{}-{host}{ending}", versions.tool);
    let folder = Folder::make(&options.out.join(&name))?;
    folder.copy(&tool, &format!("wyelog{}", std::env::consts::EXE_SUFFIX))?;
    tool::documents(&tool, folder.path())?;
    for board in wyelog_task::BOARDS {
        firmware::add(&folder, board, &versions)?;
    }
    for licence in ["LICENSE-APACHE", "LICENSE-MIT"] {
        folder.copy(&root.join(licence), licence)?;
    }
    add_readme(&folder, &root)?;
    third_party::add(&folder, &workspace, &versions, &host)?;
    folder.write_sums()?;
    Ok(folder.path().to_owned())
}

/// The README, and the files of the source tree that it and the change logs are about, where its links expect them.
fn add_readme(folder: &Folder, root: &Path) -> Result<(), Error> {
    let readme = files::read_text(&root.join("README.md"))?;
    folder.write("README.md", readme.as_bytes())?;
    let more = ["host/CHANGELOG.md", "protocol/CHANGES.md", "protocol/schema.txt"];
    let mut wanted: Vec<&str> = files::links(&readme).chain(more).collect();
    wanted.sort_unstable();
    wanted.dedup();
    for path in wanted {
        let source = root.join(path);
        if source.is_file() {
            folder.copy(&source, path)?;
        }
    }
    Ok(())
}
