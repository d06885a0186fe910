//! What can go wrong here, and what to do about it.

use std::fmt;

/// Why a task did not come to its end.
#[derive(Debug)]
pub enum Error {
    /// A program is not installed.
    Missing {
        /// What is missing.
        what: &'static str,
        /// The line or lines that install it.
        install: &'static str,
    },
    /// A program could not be started.
    Start {
        /// The command line.
        command: String,
        /// The system's answer.
        source: std::io::Error,
    },
    /// A program ran and failed.
    Failed {
        /// The command line.
        command: String,
        /// Its exit code, as the system words it.
        status: String,
        /// What it printed, if that was not shown already.
        output: String,
    },
    /// A build ended well, but what it should have made is not there.
    NotBuilt(std::path::PathBuf),
    /// The command line was not understood.
    Usage(String),
    /// So many checks failed; each has said why.
    Checks(usize),
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Missing { what, install } => write!(f, "{what} is missing. Install it with:\n{install}"),
            Self::Start { command, source } => write!(f, "cannot start `{command}`: {source}"),
            Self::Failed { command, status, output } => write!(f, "`{command}` failed ({status})\n{output}"),
            Self::NotBuilt(path) => write!(f, "the build did not leave {}", path.display()),
            Self::Usage(text) => write!(f, "{text}"),
            Self::Checks(1) => write!(f, "one check failed: see above"),
            Self::Checks(count) => write!(f, "{count} checks failed: see above"),
        }
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Start { source, .. } => Some(source),
            _ => None,
        }
    }
}
