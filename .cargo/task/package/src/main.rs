//! Command line of the packager: `cargo task package` starts it.
#![forbid(unsafe_code)]

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use wyelog_package::{Options, Profile, package};

const USAGE: &str = "\
usage: cargo task package [--profile release|dev] [--binary PATH] [--out DIR]

  --profile  how the tool is built (release unless given)
  --binary   a `wyelog` that is built already, instead of building one
  --out      folder in which the package's folder is made (target/package unless given)";

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let Some(options) = options(&words) else {
        eprintln!("{USAGE}");
        return ExitCode::from(2);
    };
    match package(&options) {
        Ok(folder) => {
            println!("{}", folder.display());
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::FAILURE
        }
    }
}

fn options(words: &[String]) -> Option<Options> {
    let typed_in = std::env::var_os(wyelog_task::TYPED_IN).map_or_else(PathBuf::new, PathBuf::from);
    let mut options = Options::default();
    for pair in words.chunks(2) {
        let [option, value] = pair else { return None };
        let path = typed_in.join(Path::new(value));
        match (option.as_str(), value.as_str()) {
            ("--profile", "release") => options.profile = Profile::Release,
            ("--profile", "dev") => options.profile = Profile::Dev,
            ("--binary", _) => options.binary = Some(path),
            ("--out", _) => options.out = path,
            _ => return None,
        }
    }
    Some(options)
}
