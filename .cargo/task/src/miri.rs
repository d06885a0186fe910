//! The device crates under Miri, which runs code and watches every access to memory. It needs a nightly compiler: no part of
//! [`crate::test`].

use crate::{Error, Output, root, run};
use std::process::Command;

/// What runs under it: a package, and which of its unit tests.
const SUITES: [(&str, &[&str]); 2] = [("wyelog-protocol", &[]), ("wyelog-firmware", &["journal"])];

/// Runs the tests of the protocol and of the journal under Miri; installs it first if rustup has it.
///
/// # Errors
/// [`Error::Missing`] if this system has no nightly toolchain with Miri, [`Error::Failed`] if Miri or a test objects.
pub fn miri() -> Result<(), Error> {
    if run(nightly().args(["miri", "--version"]), Output::Kept).is_err() {
        let mut rustup = Command::new("rustup");
        rustup.args(["component", "add", "--toolchain", "nightly", "miri", "rust-src"]);
        run(&mut rustup, Output::Shown).map_err(|_| Error::Missing {
            what: "Miri, or the nightly compiler it needs,",
            install: "rustup toolchain install nightly --component miri --component rust-src",
        })?;
    }
    for (package, tests) in SUITES {
        println!("== {package} {}", tests.join(" "));
        let mut command = nightly();
        command.args(["miri", "test", "--package", package, "--lib", "--"]).args(tests);
        // Property tests keep their failures in files; and a case takes minutes where it took a millisecond.
        command.env("MIRIFLAGS", "-Zmiri-disable-isolation").env("PROPTEST_CASES", "2");
        run(&mut command, Output::Shown)?;
    }
    Ok(())
}

fn nightly() -> Command {
    let mut command = Command::new("rustup");
    command.args(["run", "nightly", "cargo"]).current_dir(root());
    command
}
