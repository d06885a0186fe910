//! How a command ends.

use std::fmt;

use wyelog::device::DeviceError;
use wyelog::download::DownloadError;
use wyelog::log::LogError;
use wyelog::replay::ReplayError;
#[cfg(feature = "desk")]
use wyelog::store::StoreError;
use wyelog::trial::TrialError;
use wyelog_simulator::board::BoardError;
use wyelog_simulator::emulator::EmulatorError;
use wyelog_simulator::flash::ImageError;
use wyelog_simulator::scenario;

/// A command that came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Everything was read or done.
    Whole,
    /// Something could not be read; it has been said.
    Partly,
}

/// A command that did not come to its end: one sentence that says what, where, and what to do.
#[derive(Debug)]
pub struct Failure {
    sentence: String,
    is_closed_pipe: bool,
    is_usage: bool,
}

impl Failure {
    /// A sentence.
    pub fn new(sentence: impl Into<String>) -> Self {
        Self { sentence: sentence.into(), is_closed_pipe: false, is_usage: false }
    }

    /// A sentence about words on the command line that make no sense together.
    pub fn usage(sentence: impl Into<String>) -> Self {
        Self { is_usage: true, ..Self::new(sentence) }
    }

    /// 2, as for words that clap refuses, or 1.
    pub const fn code(&self) -> u8 {
        if self.is_usage { 2 } else { 1 }
    }

    /// Whether all that happened is that nobody reads our output any more.
    pub const fn is_closed_pipe(&self) -> bool {
        self.is_closed_pipe
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.sentence)
    }
}

impl From<std::io::Error> for Failure {
    /// Of standard output; files have errors of their own that name them.
    fn from(error: std::io::Error) -> Self {
        Self {
            is_closed_pipe: error.kind() == std::io::ErrorKind::BrokenPipe,
            sentence: format!("standard output: {error}; send it elsewhere"),
            is_usage: false,
        }
    }
}

impl From<DeviceError> for Failure {
    fn from(error: DeviceError) -> Self {
        Self::new(format!("{error}; {}", error.hint()))
    }
}

impl From<DownloadError> for Failure {
    fn from(error: DownloadError) -> Self {
        match error {
            DownloadError::Device(error) => error.into(),
            error => Self::new(error.to_string()),
        }
    }
}

impl From<TrialError> for Failure {
    fn from(error: TrialError) -> Self {
        match error {
            TrialError::Device(error) => error.into(),
            error => Self::new(error.to_string()),
        }
    }
}

/// Errors whose sentence already says what to do.
macro_rules! whole_sentences {
    ($($error:ty),*) => {
        $(impl From<$error> for Failure {
            fn from(error: $error) -> Self {
                Self::new(error.to_string())
            }
        })*
    };
}

whole_sentences!(LogError, ReplayError, BoardError, EmulatorError, ImageError, scenario::Error);

#[cfg(feature = "desk")]
impl From<wyelog::demo::DemoError> for Failure {
    fn from(error: wyelog::demo::DemoError) -> Self {
        match error {
            wyelog::demo::DemoError::Trial(error) => error.into(),
            error => Self::new(error.to_string()),
        }
    }
}

#[cfg(feature = "desk")]
whole_sentences!(StoreError, wyelog::export::ExportError, wyelog::serve::ServeError, wyelog::sql::SqlError);
