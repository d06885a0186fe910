//! A Python with the reference libraries, in a folder of its own beside the builds.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;

/// What the references are computed with: as pip names it, as it is imported.
const PACKAGES: [[&str; 2]; 7] = [
    ["comtrade", "comtrade"],
    ["html5lib", "html5lib"],
    ["numpy", "numpy"],
    ["OpenDSSDirect.py", "opendssdirect"],
    ["pandas", "pandas"],
    ["pyarrow", "pyarrow"],
    ["scipy", "scipy"],
];

/// What the store is read with on a cluster. It is large: who does not ask for it does not get it.
const SPARK: [[&str; 2]; 1] = [["pyspark>=4,<5", "pyspark"]];

static INSTALLING: Mutex<()> = Mutex::new(());

/// A `python3` that can import all of these; installs them with pip on first use.
///
/// # Panics
/// There is no Python 3.11 or later, or the packages cannot be had: with the line to run by hand.
pub fn python() -> PathBuf {
    with(&folder(), &PACKAGES)
}

/// A `python3` that can import Apache Spark's `pyspark`; installs it with pip on first use. It needs Java 17 or later to run.
///
/// # Panics
/// As [`python`].
pub fn spark_python() -> PathBuf {
    with(&folder().with_file_name("reference-spark"), &SPARK)
}

fn with(folder: &Path, packages: &[[&str; 2]]) -> PathBuf {
    let _one_at_a_time = INSTALLING.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let python = folder.join(if cfg!(windows) { "Scripts/python.exe" } else { "bin/python3" });
    if imports(&python, packages) {
        return python;
    }
    let names: Vec<&str> = packages.iter().map(|[name, _]| *name).collect();
    let by_hand = format!(
        "python3 -m venv {0} && {0}/bin/pip install {1}   (Debian: apt-get install python3-venv first)",
        folder.display(),
        names.iter().map(|name| format!("'{name}'")).collect::<Vec<_>>().join(" ")
    );
    run(Command::new("python3").args(["-m", "venv"]).arg(folder), &by_hand);
    run(Command::new(&python).args(["-m", "pip", "install", "--quiet"]).args(names), &by_hand);
    assert!(imports(&python, packages), "the reference libraries do not import; by hand: {by_hand}");
    python
}

/// Where it is kept: beside the builds.
pub fn folder() -> PathBuf {
    let test = std::env::current_exe().unwrap_or_default();
    test.ancestors().nth(3).map(Path::to_owned).unwrap_or_default().join("reference-python")
}

fn imports(python: &Path, packages: &[[&str; 2]]) -> bool {
    let modules: Vec<&str> = packages.iter().map(|[_, module]| *module).collect();
    let import = format!("import tomllib, {}", modules.join(", "));
    Command::new(python).args(["-c", &import]).output().is_ok_and(|output| output.status.success())
}

fn run(command: &mut Command, by_hand: &str) {
    let done = command.status().is_ok_and(|status| status.success());
    assert!(done, "{command:?} failed; by hand: {by_hand}");
}
