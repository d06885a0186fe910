//! The picture in the README: the first screen of the demo's report.

use crate::run::{Output, cargo, first_line, run};
use crate::{Error, root, target_dir};
use std::process::Command;

/// Where it stands, from the top of the repository.
const PICTURE: &str = "host/report.png";
/// Width and height in pixels: what is wrong, and the head of the table.
const SIZE: &str = "1100,760";

const INSTALL: &str = "    apt-get install chromium";

/// Runs the demo and takes the picture with a headless Chromium. Prints where it is.
///
/// # Errors
/// [`Error::Missing`] without a Chromium, [`Error::Failed`] if the demo or the browser does.
pub fn picture() -> Result<(), Error> {
    let browser =
        ["chromium", "chromium-browser"].into_iter().find(|name| first_line(name, &["--version"]).is_some());
    let Some(browser) = browser else {
        return Err(Error::Missing { what: "Chromium, which takes the picture,", install: INSTALL });
    };
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
