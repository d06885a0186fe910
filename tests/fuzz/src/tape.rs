//! Any bytes as a tape.

use wyelog_firmware::tape::{ITEM_BYTES, Item, decode, decode_head, encode};

/// One input.
///
/// # Panics
/// A tape item is another one when it is written again.
pub fn run(bytes: &[u8]) {
    let mut items = bytes.chunks_exact(ITEM_BYTES).map(|item| Item::try_from(item).expect("16 bytes"));
    let _ = decode_head(&mut || items.next());
    for item in items {
        if let Some(input) = decode(&item) {
            assert_eq!(encode(&input), item);
        }
    }
}
