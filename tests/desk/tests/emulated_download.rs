//! The whole way: records in a flash, the ARM image that serves them on its serial line, the tool that downloads them.

use tempfile::TempDir;
use wyelog::log::Log;
use wyelog_desk_tests::device::{interval, keeper};
use wyelog_desk_tests::emulate::Emulate;
use wyelog_desk_tests::wyelog_in;
use wyelog_device_tests::play::{SECTORS, Stored, stored};
use wyelog_protocol::record::MAX_RECORD_BYTES;
use wyelog_simulator::flash::NorMemory;

/// The log that the board finds.
const BYTES: usize = 128 * 1024;

fn downloaded(folder: &TempDir) -> Vec<Stored> {
    let log = Log::read(&folder.path().join("b.log")).unwrap_or_else(|error| panic!("{error}"));
    assert!(log.missing.is_empty() && log.unread.is_nothing(), "{:?}", log.missing);
    let bytes = |record: &wyelog_protocol::record::Record| {
        record.encode(&mut [0; MAX_RECORD_BYTES]).expect("a record fits").to_vec()
    };
    log.records.iter().map(|kept| (kept.sequence, bytes(&kept.record))).collect()
}

#[cfg(unix)]
#[test]
fn a_log_of_128_kib_comes_whole_from_the_image() {
    let image = wyelog_task::image().unwrap_or_else(|error| panic!("{error}"));
    wyelog_task::qemu().unwrap_or_else(|error| panic!("{error}"));
    let mut logger = keeper("board", 0, SECTORS);
    let (mut held, mut number) = (0, 0);
    while held < BYTES {
        let record = interval(logger.boot(), number);
        held += record.encode(&mut [0; MAX_RECORD_BYTES]).expect("a record fits").len();
        logger.store(&record);
        number += 1;
    }
    let flash = logger.into_flash().expect("it mounted");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("flash");
    flash.save(&path).unwrap();
    let expected = stored(flash);

    let words = ["healthy", "--image", &image.display().to_string(), "--flash", &path.display().to_string()];
    let board = Emulate::start(&words);
    let ended = wyelog_in(folder.path(), &["download", "--port", &board.port, "--out", "b.log"]);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    let came = downloaded(&folder);
    let bytes: usize = came.iter().take(expected.len()).map(|(_, bytes)| bytes.len()).sum();
    println!(
        "{bytes} bytes of {} records, and {} that the board made",
        expected.len(),
        came.len() - expected.len()
    );
    assert!(bytes >= BYTES);
    assert_eq!(came[..expected.len()], expected);
    // What the board has written since it started, once as it came and once as its flash has it.
    board.interrupt();
    let after = stored(NorMemory::load(&path).unwrap());
    assert!(came.len() > expected.len(), "the start is a record");
    assert_eq!(came[..], after[..came.len()]);
}
