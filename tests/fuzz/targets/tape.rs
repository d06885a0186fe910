//! Any bytes as a tape.
#![no_main]

use libfuzzer_sys::fuzz_target;
use wyelog_firmware::tape::{ITEM_BYTES, Item, decode, decode_head, encode};

fuzz_target!(|bytes: &[u8]| {
    let mut items = bytes.chunks_exact(ITEM_BYTES).map(|item| Item::try_from(item).expect("16 bytes"));
    let _ = decode_head(&mut || items.next());
    for item in items {
        if let Some(input) = decode(&item) {
            assert_eq!(encode(&input), item);
        }
    }
});
