//! The picture in the README: the first screen of the demo's report.

use crate::run::{Output, cargo, run};
use crate::{Error, chromium, root, target_dir};
use std::process::Command;

/// Where it stands, from the top of the repository.
const PICTURE: &str = "host/report.png";
/// Width and height in pixels: what is wrong, and the head of the table.
const SIZE: &str = "1100,760";

/// Runs the demo and takes the picture with a headless Chromium. Prints where it is.
///
/// # Errors
/// [`Error::Missing`] without a Chromium, [`Error::Failed`] if the demo or the browser does.
pub fn picture() -> Result<(), Error> {
    let browser = chromium()?;
    let folder = target_dir().join("picture");
    run(cargo().args(["run", "--quiet", "--", "demo", "--out"]).arg(&folder), Output::Shown)?;
    let picture = root().join(PICTURE);
    let mut command = Command::new(browser);
    command.args(["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]);
    command.arg(format!("--window-size={SIZE}")).arg(format!("--screenshot={}", picture.display()));
    run(command.arg(folder.join("report.html")), Output::Kept)?;
    println!("{}", picture.display());
    Ok(())
}
