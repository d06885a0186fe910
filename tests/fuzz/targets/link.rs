//! Any bytes into the logger's end of the link: each is served, none stops it.
#![no_main]

use libfuzzer_sys::fuzz_target;
use wyelog_firmware::keeper::{Device, Keeper};
use wyelog_protocol::frame::{MAX_FRAME_BYTES, encode};
use wyelog_protocol::message::{Request, ToLogger};
use wyelog_protocol::text;
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::line::{MemoryLine, memory_line};
use wyelog_simulator::scenario::BankFile;

const BANK: &str =
    "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\nfrequency_hz = 60\n";

fuzz_target!(|bytes: &[u8]| {
    let settings = BankFile::parse("bank.toml", BANK).expect("a bank").settings();
    let device = Device { board: "fuzz", serial: text("fuzz") };
    let (mut keeper, mounted) = Keeper::start(NorMemory::<1, 4096>::new(8), device, settings, None);
    mounted.expect("an empty flash mounts");
    let (mut near, mut far) = memory_line();
    feed(&mut far, bytes);
    serve(&mut keeper, &mut near);
    drain(&mut far);
    // It still answers.
    let mut packet = [0; 16];
    let packet =
        postcard::to_slice(&ToLogger { number: 1, request: Request::ReadExtent }, &mut packet).expect("room");
    let mut frame = [0; MAX_FRAME_BYTES];
    feed(&mut far, encode(packet, &mut frame).expect("room"));
    serve(&mut keeper, &mut near);
    assert!(drain(&mut far) > 0, "no answer");
});

fn feed(line: &mut MemoryLine, bytes: &[u8]) {
    use embedded_io::Write;
    line.write_all(bytes).expect("a pipe in memory");
}

fn drain(line: &mut MemoryLine) -> usize {
    use embedded_io::{Read, ReadReady};
    let mut count = 0;
    while line.read_ready().expect("a pipe in memory") {
        count += line.read(&mut [0; 256]).expect("a pipe in memory");
    }
    count
}

fn serve(keeper: &mut Keeper<NorMemory>, line: &mut MemoryLine) {
    let mut calls = 0;
    while keeper.serve(line) {
        calls += 1;
        assert!(calls < 100_000, "it never rests");
    }
}
