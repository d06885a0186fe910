//! The Keeper on a flash that fails: what is lost is said, and nothing is worn for nothing.

use wyelog_device_tests::play::{self, device};
use wyelog_firmware::frontend::Input;
use wyelog_firmware::keeper::Keeper;
use wyelog_firmware::logger::Logger;
use wyelog_firmware::meter::Buffers;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::record::{Record, Stamp, Status, StatusRecord};
use wyelog_simulator::flash::{FaultyFlash, NorMemory};
use wyelog_simulator::scenario::BankFile;

const BANK: &str =
    "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\nfrequency_hz = 60\n";

type Flash = FaultyFlash<NorMemory>;

fn settings() -> Settings {
    BankFile::parse("bank.toml", BANK).unwrap().settings()
}

fn keeper(flash: Flash) -> Keeper<Flash> {
    let (keeper, mounted) = Keeper::start(flash, device(), settings(), None);
    mounted.unwrap();
    keeper
}

fn record(keeper: &Keeper<Flash>, count: u32) -> Record {
    let stamp = Stamp { boot: keeper.boot(), frame: u64::from(count), utc_ms: None };
    Record::Status(StatusRecord { stamp, status: Status::FramesLost { count } })
}

fn statuses(flash: NorMemory) -> Vec<Status> {
    play::decode(&play::stored(flash))
        .into_iter()
        .filter_map(|record| match record {
            Record::Status(record) => Some(record.status),
            _ => None,
        })
        .collect()
}

#[test]
fn a_part_that_does_not_erase_any_more_is_left_in_peace() {
    let mut flash = Flash::new(NorMemory::new(16), 1);
    (0..16).for_each(|sector| flash.fail_erases(sector, true));
    let mut keeper = keeper(flash);
    let before = keeper.flash().unwrap().operations();
    (0..1000).for_each(|_| {
        keeper.idle();
    });
    let tries = keeper.flash().unwrap().operations() - before;
    assert!(tries <= 32, "{tries} operations in 1000 quiet moments");
    // The two records of its start and this one.
    keeper.store(&record(&keeper, 1));
    assert_eq!(keeper.extent().refused, 3);
}

#[test]
fn a_fault_that_was_gone_round_is_a_record() {
    let mut flash = Flash::new(NorMemory::new(16), 1);
    flash.fail_erases(1, true);
    let mut keeper = keeper(flash);
    for count in 0..400 {
        keeper.store(&record(&keeper, count));
        keeper.idle();
    }
    assert_eq!(keeper.extent().refused, 0);
    let statuses = statuses(keeper.into_flash().unwrap().into_inner());
    let lost = statuses.iter().filter(|s| matches!(s, Status::FramesLost { .. })).count();
    assert_eq!(lost, 400);
    let faults: Vec<&Status> = statuses.iter().filter(|s| matches!(s, Status::FlashFaults { .. })).collect();
    assert_eq!(faults, [&Status::FlashFaults { sectors: 1, records: 0, numbers: 0 }]);
}

#[test]
fn the_number_of_a_start_is_never_used_twice() {
    let mut flash: NorMemory = NorMemory::new(16);
    let mut starts = Vec::new();
    for flipped in 0..6 {
        let mut buffers = Box::new(Buffers::new());
        let (mut logger, mounted) = Logger::start(&mut buffers, flash, device(), settings(), None);
        mounted.unwrap();
        logger.input(Input::FramesLost(1));
        starts.push(logger.keeper().boot());
        // One bit of the boot record that it has just written.
        let mut bytes = logger.into_flash().unwrap().into_bytes();
        let firmware = bytes.windows(5).rposition(|window| window == b"0.1.0").unwrap();
        bytes[firmware] ^= 1 << flipped;
        flash = NorMemory::from_bytes(bytes);
    }
    assert_eq!(starts, [1, 2, 3, 4, 5, 6]);
}
