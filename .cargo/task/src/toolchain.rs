//! What a board's image is built with, and how to get it.
//!
//! Three ways, in this order: the ARM target of the active rustup toolchain; Debian's second Rust, whose library source
//! lets cargo build `core` by itself; and, if neither is there, what [`install`] can fetch.

use crate::run::{Output, first_line, run};
use crate::{Error, TARGET};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// How the ARM images are built.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Toolchain {
    /// The active toolchain with its ARM target installed.
    Target,
    /// Debian's rustc and library source; `core` is built along with the image.
    Debian,
}

const DEBIAN_RUSTC: &str = "/usr/bin/rustc";
const DEBIAN_CORE: &str = "/usr/lib/rustlib/src/rust/library/core/Cargo.toml";
const DEBIAN_CLIPPY: &str = "/usr/bin/cargo-clippy";

/// Debian packages: the second Rust, its library source, its linter.
const DEBIAN_RUST: [&str; 3] = ["rustc-web", "rust-web-src", "rust-web-clippy"];

/// How long `rustup target add` may take: a mirror that cannot be reached must not hold up the build.
const RUSTUP_LIMIT: Duration = Duration::from_secs(120);

const INSTALL_RUST: &str = "    rustup target add thumbv7em-none-eabihf
or, on Debian, as root:
    apt-get install -y --no-install-recommends rustc-web rust-web-src rust-web-clippy";

const INSTALL_QEMU: &str =
    "    apt-get install -y --no-install-recommends qemu-system-arm   (Debian, as root)
    brew install qemu                                            (macOS)
    QEMU's own installer                                         (Windows)";

const INSTALL_PYTHON: &str =
    "    apt-get install -y --no-install-recommends python3   (Debian, as root), or Python's own installer";

const INSTALL_JAVA: &str =
    "    apt-get install -y --no-install-recommends default-jre-headless   (Debian, as root)";

const INSTALL_CHROMIUM: &str = "    apt-get install -y --no-install-recommends chromium   (Debian, as root), or Chromium's own installer";

const INSTALL_CXX: &str = "    apt-get install -y --no-install-recommends g++   (Debian, as root)";

impl Toolchain {
    /// The one that is installed.
    ///
    /// # Errors
    /// [`Error::Missing`] with the install lines if there is none.
    pub fn installed() -> Result<Self, Error> {
        if target_installed(TARGET) {
            Ok(Self::Target)
        } else if debian_installed() {
            Ok(Self::Debian)
        } else {
            Err(Error::Missing {
                what: "a Rust toolchain for ARM (thumbv7em-none-eabihf)",
                install: INSTALL_RUST,
            })
        }
    }

    /// What to tell people who ask which one was picked.
    #[must_use]
    pub fn describe(self) -> &'static str {
        match self {
            Self::Target => "the active toolchain's own thumbv7em-none-eabihf target",
            Self::Debian => "Debian's /usr/bin/rustc with core built from source",
        }
    }

    /// Name and version of its compiler.
    #[must_use]
    pub fn compiler(self) -> String {
        let program = if self == Self::Debian { DEBIAN_RUSTC } else { "rustc" };
        first_line(program, &["--version"]).unwrap_or_else(|| program.to_owned())
    }

    /// Makes `cargo` build with this toolchain.
    pub(crate) fn apply(self, cargo: &mut Command) {
        // What was meant for the host's build must not change the image's bits.
        cargo.env_remove("RUSTFLAGS").env_remove("CARGO_ENCODED_RUSTFLAGS").env_remove("RUSTC");
        // Nor must the folders that this machine happens to have.
        let mut flags = crate::without_machine_paths();
        // Less in line than the compiler would put there by itself. At 100 the image was 0.7 KiB larger, and no faster.
        flags.push("-Cllvm-args=-inline-threshold=80".into());
        cargo.env("CARGO_ENCODED_RUSTFLAGS", flags.join("\x1f"));
        if self == Self::Debian {
            cargo.arg("-Zbuild-std=core").env("RUSTC", DEBIAN_RUSTC).env("RUSTC_BOOTSTRAP", "1");
            if let Some(linker) = rust_lld() {
                cargo.env("CARGO_TARGET_THUMBV7EM_NONE_EABIHF_LINKER", linker);
            }
        }
    }

    /// A command that stands where `cargo clippy` would: the linter must be as old as the compiler.
    pub(crate) fn clippy(self) -> Command {
        let mut command = match self {
            Self::Target => crate::run::cargo(),
            Self::Debian => Command::new(DEBIAN_CLIPPY),
        };
        command.arg("clippy").current_dir(crate::root());
        command
    }
}

/// The emulator.
///
/// # Errors
/// [`Error::Missing`] with the install line if it cannot be run.
pub fn qemu() -> Result<PathBuf, Error> {
    const PROGRAM: &str = "qemu-system-arm";
    match first_line(PROGRAM, &["--version"]) {
        Some(_) => Ok(PathBuf::from(PROGRAM)),
        None => Err(Error::Missing { what: "qemu-system-arm", install: INSTALL_QEMU }),
    }
}

/// Python 3, which the second decoder of logs runs on.
///
/// # Errors
/// [`Error::Missing`] with the install line if it cannot be run.
pub fn python() -> Result<(), Error> {
    match first_line("python3", &["--version"]) {
        Some(_) => Ok(()),
        None => Err(Error::Missing { what: "python3", install: INSTALL_PYTHON }),
    }
}

/// Java, which Apache Spark runs on; Debian's package is installed if it is missing.
///
/// # Errors
/// [`Error::Missing`] with the install line where this is not Debian, or the user is not root.
pub fn java() -> Result<(), Error> {
    // It answers on its standard error.
    let is_there =
        || Command::new("java").arg("-version").output().is_ok_and(|answer| answer.status.success());
    if is_there() || (apt_get(&["default-jre-headless"]) && is_there()) {
        return Ok(());
    }
    Err(Error::Missing { what: "Java 17 or later", install: INSTALL_JAVA })
}

/// Chromium, in which the tests look at the live page, by its name on the path.
///
/// # Errors
/// [`Error::Missing`] with the install line if it cannot be run.
pub fn chromium() -> Result<&'static str, Error> {
    let names = ["chromium", "chromium-browser"];
    names
        .into_iter()
        .find(|name| first_line(name, &["--version"]).is_some())
        .ok_or(Error::Missing { what: "Chromium", install: INSTALL_CHROMIUM })
}

/// Installs what is missing: the ARM target by rustup, else by Debian's packages; emulator, Python and browser by
/// Debian's packages.
///
/// # Errors
/// [`Error::Missing`] with the lines to run by hand where this is not Debian, or the user is not root.
pub fn install() -> Result<Toolchain, Error> {
    let toolchain = match Toolchain::installed() {
        Ok(found) => found,
        Err(missing) => {
            rustup_target(TARGET);
            if !target_installed(TARGET) && !apt_get(&DEBIAN_RUST) {
                return Err(missing);
            }
            Toolchain::installed()?
        }
    };
    let no_linter = toolchain == Toolchain::Debian && !Path::new(DEBIAN_CLIPPY).exists();
    if no_linter && !apt_get(&DEBIAN_RUST) {
        return Err(Error::Missing { what: "the linter of Debian's Rust", install: INSTALL_RUST });
    }
    if qemu().is_err() {
        apt_get(&["qemu-system-arm"]);
    }
    qemu()?;
    if python().is_err() {
        apt_get(&["python3"]);
    }
    python()?;
    // Without it only the tests that look at pages fail, and say so.
    if chromium().is_err() {
        apt_get(&["chromium"]);
    }
    // The fuzz targets, which the linter looks at, bring a C++ library.
    if first_line("c++", &["--version"]).is_none() && !apt_get(&["g++"]) {
        return Err(Error::Missing { what: "a C++ compiler", install: INSTALL_CXX });
    }
    Ok(toolchain)
}

/// Whether the active toolchain has the library of `target`.
pub(crate) fn target_installed(target: &str) -> bool {
    let Some(dir) = first_line("rustc", &["--print", "target-libdir", "--target", target]) else {
        return false;
    };
    let Ok(files) = std::fs::read_dir(dir) else { return false };
    files.flatten().any(|file| file.file_name().to_string_lossy().starts_with("libcore-"))
}

fn debian_installed() -> bool {
    Path::new(DEBIAN_RUSTC).exists() && Path::new(DEBIAN_CORE).exists() && rust_lld().is_some()
}

/// The linker that comes with every rustup toolchain, or a system's own.
fn rust_lld() -> Option<PathBuf> {
    let sysroot = PathBuf::from(first_line("rustc", &["--print", "sysroot"])?);
    let host = first_line("rustc", &["--print", "host-tuple"])?;
    let own = sysroot.join("lib/rustlib").join(host).join("bin/rust-lld");
    if own.exists() {
        return Some(own);
    }
    first_line("ld.lld", &["--version"]).map(|_| PathBuf::from("ld.lld"))
}

/// Lets `cargo` build std from Debian's source, for a target that rustup has not got. Says whether that is there.
pub(crate) fn debian_build_std(cargo: &mut Command) -> bool {
    let is_there = Path::new(DEBIAN_RUSTC).exists() && Path::new(DEBIAN_CORE).exists();
    if is_there {
        cargo.arg("-Zbuild-std=std,panic_abort").env("RUSTC", DEBIAN_RUSTC).env("RUSTC_BOOTSTRAP", "1");
    }
    is_there
}

/// Tries `rustup target add`, for a while.
pub(crate) fn rustup_target(target: &str) {
    let mut command = Command::new("rustup");
    command.args(["target", "add", target]).stdin(Stdio::null());
    eprintln!("rustup target add {target}");
    let Ok(mut child) = command.spawn() else { return };
    let start = Instant::now();
    while let Ok(None) = child.try_wait() {
        if start.elapsed() > RUSTUP_LIMIT {
            // Whether it can be killed or not: we go on without it.
            let _ = child.kill();
            let _ = child.wait();
            return;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
}

/// Installs Debian packages if this is Debian and we are root. Says whether it did.
pub(crate) fn apt_get(packages: &[&str]) -> bool {
    let root = first_line("id", &["-u"]).is_some_and(|id| id == "0");
    if !root || !Path::new("/etc/debian_version").exists() {
        return false;
    }
    eprintln!("apt-get install {}", packages.join(" "));
    let install = || {
        let mut command = Command::new("apt-get");
        command.env("DEBIAN_FRONTEND", "noninteractive").args([
            "install",
            "-y",
            "-qq",
            "--no-install-recommends",
        ]);
        run(command.args(packages), Output::Kept).is_ok()
    };
    // A machine that never ran `update` knows no packages.
    install() || (run(Command::new("apt-get").args(["update", "-qq"]), Output::Kept).is_ok() && install())
}
