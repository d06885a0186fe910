//! The tape as a file of the host, read a block at a time.

use crate::semihosting::{File, Mode};
use wyelog_firmware::tape::{ITEM_BYTES, Item};

/// Items in a block: a read takes the machine no time, but the host some microseconds.
const BLOCK_ITEMS: usize = 64;

/// An open tape.
pub struct TapeFile {
    file: File,
    block: [u8; BLOCK_ITEMS * ITEM_BYTES],
    /// Bytes read into `block`.
    filled: usize,
    /// Bytes of it given out.
    used: usize,
}

impl TapeFile {
    /// Opens it at its start.
    pub fn open(name: &[u8]) -> Option<Self> {
        let file = File::open(name, Mode::Read)?;
        Some(Self { file, block: [0; BLOCK_ITEMS * ITEM_BYTES], filled: 0, used: 0 })
    }

    /// The next item; `None` at the end. A piece of an item at the end is no item.
    pub fn next(&mut self) -> Option<Item> {
        if self.used >= self.filled {
            self.filled = self.file.read(&mut self.block)?;
            self.used = 0;
        }
        let rest = self.block.get(self.used..self.filled)?;
        let item = *rest.first_chunk::<ITEM_BYTES>()?;
        self.used = self.used.saturating_add(ITEM_BYTES);
        Some(item)
    }
}
