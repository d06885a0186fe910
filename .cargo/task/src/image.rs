//! The boards' images.

use crate::run::{Output, cargo, run};
use crate::{Error, TARGET, Toolchain, target_dir};
use std::path::PathBuf;

/// The boards, by the names of their folders in `firmware/boards`.
pub const BOARDS: [&str; 1] = ["emulated"];

/// Builds the emulated board's image if it is not up to date, and says where the ELF file is.
///
/// # Errors
/// [`Error::Missing`] with the install line, or [`Error::Failed`] with the compiler's words.
pub fn image() -> Result<PathBuf, Error> {
    image_of("emulated", Toolchain::installed()?, Output::Kept)
}

/// Builds the image of `board` with `toolchain`.
///
/// The target folder is the images' own: a test that asks for an image never waits for the cargo that runs the test.
///
/// # Errors
/// [`Error::Usage`] if there is no such board, [`Error::Failed`] with the compiler's words.
pub fn image_of(board: &str, toolchain: Toolchain, output: Output) -> Result<PathBuf, Error> {
    if !BOARDS.contains(&board) {
        return Err(Error::Usage(format!("there is no board `{board}`; there are: {}", BOARDS.join(", "))));
    }
    let package = package(board);
    let dir = target_dir().join("image");
    let mut command = cargo();
    command.args(["build", "--profile", "firmware", "--target", TARGET, "--package", &package]);
    command.arg("--target-dir").arg(&dir);
    toolchain.apply(&mut command);
    run(&mut command, output)?;
    let elf = dir.join(TARGET).join("firmware").join(package);
    if elf.is_file() { Ok(elf) } else { Err(Error::NotBuilt(elf)) }
}

/// Runs clippy over every board, warnings denied.
///
/// # Errors
/// [`Error::Failed`] if there was a warning.
pub fn lint_boards(toolchain: Toolchain) -> Result<(), Error> {
    for board in BOARDS {
        let mut command = toolchain.clippy();
        command.args(["--quiet", "--profile", "firmware", "--target", TARGET, "--package", &package(board)]);
        command.arg("--target-dir").arg(target_dir().join("image"));
        toolchain.apply(&mut command);
        run(command.args(["--", "-D", "warnings"]), Output::Shown)?;
    }
    Ok(())
}

pub(crate) fn package(board: &str) -> String {
    format!("wyelog-board-{board}")
}
