//! A logger with an empty flash and its line.

use embedded_io::{Read, ReadReady, Write};
use std::sync::OnceLock;
use wyelog_firmware::keeper::{Device, Keeper};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::frame::{MAX_FRAME_BYTES, encode};
use wyelog_protocol::message::{Request, ToLogger};
use wyelog_protocol::text;
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::line::{MemoryLine, memory_line};
use wyelog_simulator::scenario::BankFile;

/// A small bank.
pub(crate) const BANK: &str =
    "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\nfrequency_hz = 60\n";

/// A logger that has just started, and a host's end of its line.
pub(crate) struct Bench {
    keeper: Keeper<NorMemory>,
    near: MemoryLine,
    far: MemoryLine,
}

impl Bench {
    pub(crate) fn new() -> Self {
        static SETTINGS: OnceLock<Settings> = OnceLock::new();
        let settings =
            SETTINGS.get_or_init(|| BankFile::parse("bank.toml", BANK).expect("a bank").settings());
        let device = Device { board: "fuzz", serial: text("fuzz") };
        let (keeper, mounted) = Keeper::start(NorMemory::<1, 4096>::new(8), device, settings.clone(), None);
        mounted.expect("an empty flash mounts");
        let (near, far) = memory_line();
        Self { keeper, near, far }
    }

    /// Sends bytes, has them served, and takes what comes back: its length.
    pub(crate) fn send(&mut self, bytes: &[u8]) -> usize {
        self.far.write_all(bytes).expect("a pipe in memory");
        let mut calls = 0;
        while self.keeper.serve(&mut self.near) {
            calls += 1;
            assert!(calls < 100_000, "it never rests");
        }
        let mut count = 0;
        while self.far.read_ready().expect("a pipe in memory") {
            count += self.far.read(&mut [0; 256]).expect("a pipe in memory");
        }
        count
    }

    /// Asks for something that is always there.
    pub(crate) fn still_answers(&mut self) {
        let mut packet = [0; 16];
        let packet = postcard::to_slice(&ToLogger { number: 1, request: Request::ReadExtent }, &mut packet)
            .expect("room");
        let answered = self.send(encode(packet, &mut [0; MAX_FRAME_BYTES]).expect("room"));
        assert!(answered > 0, "no answer");
    }
}
