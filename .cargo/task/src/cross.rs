//! The host tool on systems that are not here: its types are checked for Windows and macOS, nothing is linked or run.

use crate::image::{BOARDS, package};
use crate::run::{Output, cargo, run};
use crate::toolchain::{apt_get, debian_build_std, rustup_target, target_installed};
use crate::{Error, run::first_line};

/// One target of each system that the tool has to compile for.
pub const CROSS_TARGETS: [&str; 2] = ["x86_64-pc-windows-gnu", "aarch64-apple-darwin"];

const INSTALL: &str = "    rustup target add x86_64-pc-windows-gnu aarch64-apple-darwin
or, on Debian, as root:
    apt-get install -y --no-install-recommends rustc-web rust-web-src binutils-mingw-w64-x86-64";

/// What std for Windows is built with, and the Debian package that has it.
const DLLTOOL: (&str, &str) = ("x86_64-w64-mingw32-dlltool", "binutils-mingw-w64-x86-64");

/// Type-checks everything that runs on a host, its tests too, for each of [`CROSS_TARGETS`] but the system's own.
///
/// The target's library is rustup's (fetched if it is not there), else it is built from Debian's source.
///
/// # Errors
/// [`Error::Missing`] if there is neither, [`Error::Failed`] with the compiler's words.
pub fn cross() -> Result<(), Error> {
    let own = first_line("rustc", &["--print", "host-tuple"]).unwrap_or_default();
    for target in CROSS_TARGETS.into_iter().filter(|target| *target != own) {
        println!("-- {target}");
        check(target)?;
    }
    Ok(())
}

fn check(target: &str) -> Result<(), Error> {
    let mut command = cargo();
    command.args(["check", "--quiet", "--all-targets", "--workspace", "--target", target]);
    // The boards are for ARM, and the fuzz targets bring a C++ library that is for Linux.
    for package in BOARDS.map(package).iter().map(String::as_str).chain(["wyelog-fuzz"]) {
        command.args(["--exclude", package]);
    }
    if !target_installed(target) {
        rustup_target(target);
    }
    if !target_installed(target) {
        let (program, package) = DLLTOOL;
        if target.contains("windows") && first_line(program, &["--version"]).is_none() {
            apt_get(&[package]);
        }
        if !debian_build_std(&mut command) {
            return Err(Error::Missing { what: "Rust's library for another system", install: INSTALL });
        }
    }
    // Nothing is linked: where dependencies ask for the target's C compiler, a program that does nothing will do.
    let name = target.replace('-', "_");
    command.env(format!("CC_{name}"), "true").env(format!("AR_{name}"), "true");
    run(&mut command, Output::Shown)
}
