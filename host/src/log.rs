//! Log files.
//!
//! ```text
//! log file = frames (`wyelog_protocol::frame`), each one reply of a logger with number 0:
//!            identity · (record | missing | identity) … · log end
//! ```
//!
//! One record a frame: a damaged byte costs one record. `missing` stands where the logger itself has no record any
//! more; a second identity stands where the download went on after the logger had restarted; the log end says that
//! everything asked for is there.

mod reader;
mod whole;
mod writer;

pub(crate) use reader::split as split_records;
pub use reader::{Content, Damage, Entry, Harm, Reader};
pub use whole::{Log, LogError, Sequenced, Unread};
pub use writer::LogWriter;

use wyelog_protocol::message::Identity;

/// Who wrote a log: the logger's own words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeviceIdentity {
    /// Serial number.
    pub serial: String,
    /// Name of the board.
    pub board: String,
    /// Version of the firmware.
    pub firmware: String,
    /// Hash of the schema it writes.
    pub schema: u64,
    /// Number of its start at the time.
    pub boot: u32,
    /// Frames a second.
    pub frames_per_second: u32,
    /// Kind and version of every record it writes.
    pub kinds: Vec<(u8, u8)>,
}

impl From<&Identity<'_>> for DeviceIdentity {
    fn from(identity: &Identity<'_>) -> Self {
        Self {
            serial: identity.device.to_string(),
            board: identity.board.to_owned(),
            firmware: identity.firmware.to_owned(),
            schema: identity.schema,
            boot: identity.boot,
            frames_per_second: identity.frames_per_second,
            kinds: identity.kinds.to_vec(),
        }
    }
}

impl DeviceIdentity {
    /// The identity as it stands in a message.
    pub fn message(&self) -> Identity<'_> {
        Identity {
            schema: self.schema,
            firmware: &self.firmware,
            board: &self.board,
            device: wyelog_protocol::text(&self.serial),
            boot: self.boot,
            frames_per_second: self.frames_per_second,
            kinds: self.kinds.iter().copied().take(16).collect(),
        }
    }
}
