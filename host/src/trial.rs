//! The shipped firmware in this process over a simulated signal, and its log read back over the link.

use std::time::{Duration, Instant};

use thiserror::Error;
use wyelog_firmware::meter::Buffers;
use wyelog_protocol::message::Live;
use wyelog_protocol::record::SettingsRecord;
use wyelog_simulator::board::{Board, BoardError, Pace, SECTORS};
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape;
use wyelog_simulator::waveform::{Mark, Waveform};

use crate::device::{DeviceError, FetchError, Hello, Patience, Session, Wired};
use crate::log::{Log, LogWriter};

/// Serial number of the logger that a trial runs.
pub const SERIAL: &str = "TRIAL";

/// The scenarios that come with the program: name, what happens, text.
pub const BUILT_IN: [(&str, &str, &str); 4] = [
    (
        "blown_fuse",
        "the fuse of phase B blows while the bank is closed",
        include_str!("../scenarios/blown_fuse.toml"),
    ),
    ("healthy", "nothing happens", include_str!("../scenarios/healthy.toml")),
    (
        "interruption",
        "the feeder is dead for a minute and a half",
        include_str!("../scenarios/interruption.toml"),
    ),
    (
        "broken_wire",
        "the lead of a voltage sensor breaks: the bank is healthy, and no bank alarm may come",
        include_str!("../scenarios/broken_wire.toml"),
    ),
];

/// The built-in scenario of that name.
///
/// # Errors
/// Its text makes no sense: never in a released version.
pub fn built_in(name: &str) -> Option<Result<Scenario, wyelog_simulator::scenario::Error>> {
    let (name, _, text) = BUILT_IN.into_iter().find(|(known, ..)| *known == name)?;
    Some(Scenario::parse(name, text))
}

/// Why a trial failed.
#[derive(Debug, Error)]
pub enum TrialError {
    /// The simulated board did not start.
    #[error(transparent)]
    Board(#[from] BoardError),
    /// The logger did not answer.
    #[error(transparent)]
    Device(#[from] DeviceError),
    /// The log could not be kept in memory.
    #[error("the log of the trial: {0}; run it again")]
    Log(std::io::Error),
}

/// What a trial gave.
#[derive(Debug)]
pub struct Trial {
    /// Seconds of signal.
    pub signal_s: f64,
    /// How long the simulation and the firmware took for them.
    pub took: Duration,
    /// Who the logger was.
    pub hello: Hello,
    /// Its settings.
    pub settings: SettingsRecord,
    /// The last window; `None` if the signal was too short for one.
    pub live: Option<Live>,
    /// The log file, byte for byte as a download would write it.
    pub file: Vec<u8>,
    /// The same, read.
    pub log: Log,
    /// What really happened to the bank, as only the simulator knows.
    pub truth: Vec<Mark>,
}

/// Runs the logger firmware over `scenario`, and then asks it as over a serial line. `progress` is told the part of
/// the signal that is done.
///
/// # Errors
/// See [`TrialError`].
pub fn run(scenario: &Scenario, progress: &mut dyn FnMut(f64)) -> Result<Trial, TrialError> {
    let started = Instant::now();
    let tape = tape::from_scenario(scenario);
    let frames = tape.frames();
    let mut buffers = Box::new(Buffers::new());
    let mut board = Board::start(&mut buffers, tape, NorMemory::new(SECTORS), SERIAL, Pace::Free)?;
    board.play(&mut |done| progress(done as f64 / frames.max(1) as f64));
    let took = started.elapsed();
    let ReadBack { hello, settings, live, file } = read_back(&mut board)?;
    let log = Log::from_source(file.as_slice()).map_err(TrialError::Log)?;
    let truth = Waveform::new(scenario).marks().to_vec();
    Ok(Trial { signal_s: scenario.duration_s, took, hello, settings, live, file, log, truth })
}

/// What a logger in this process said of itself, and its log.
#[derive(Debug)]
pub struct ReadBack {
    /// Who it is.
    pub hello: Hello,
    /// Its settings.
    pub settings: SettingsRecord,
    /// The last window; `None` if the signal was too short for one.
    pub live: Option<Live>,
    /// The log file, byte for byte as a download would write it.
    pub file: Vec<u8>,
}

/// Asks a board in this process as over a serial line, and downloads its log.
///
/// # Errors
/// It does not answer.
pub fn read_back(board: &mut Board<'_>) -> Result<ReadBack, TrialError> {
    let mut session = Session::new(Wired::new(board), Patience::default());
    let hello = session.identify()?;
    let settings = session.settings()?;
    let live = match session.live() {
        Ok(live) => Some(live),
        Err(DeviceError::NotYet { .. }) => None,
        Err(error) => return Err(error.into()),
    };
    let mut writer = LogWriter::new(Vec::new());
    writer.identity(&hello.identity.message()).map_err(TrialError::Log)?;
    let extent = session.fetch(0, &mut writer, &mut |_| {}).map_err(|error| match error {
        FetchError::Device(error) => TrialError::Device(error),
        FetchError::Sink(error) => TrialError::Log(error),
    })?;
    writer.end(extent).map_err(TrialError::Log)?;
    let file = writer.into_sink().map_err(TrialError::Log)?;
    Ok(ReadBack { hello, settings, live, file })
}

#[cfg(test)]
mod tests {
    use super::*;
    use wyelog_protocol::record::Record;
    use wyelog_simulator::levels::Levels;

    fn downloaded(scenario: &Scenario, sectors: usize) -> Log {
        let mut buffers = Box::new(Buffers::new());
        let flash = NorMemory::new(sectors);
        let mut board =
            Board::start(&mut buffers, Levels::new(scenario), flash, "K1", Pace::Free).expect("it starts");
        board.play(&mut |_| {});
        let file = read_back(&mut board).expect("it answers").file;
        Log::from_source(file.as_slice()).expect("it is in memory")
    }

    #[test]
    fn events_outlive_intervals_from_the_flash_to_the_reader() {
        let text = "name = \"kept\"\nseed = 3\nduration_s = 100000\n\
            [feeder]\nkv_ll = 12.47\nfrequency_hz = 60\n\
            [bank]\nname = \"K\"\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\n\
            [[bank.event]]\nkind = \"fuse_blows\"\nat_s = 1000\nphase = \"B\"\n";
        let scenario = Scenario::parse("kept.toml", text).unwrap_or_else(|error| panic!("{error}"));
        let (whole, small) = (downloaded(&scenario, 256), downloaded(&scenario, 16));
        assert!(whole.unread.is_nothing() && whole.missing.is_empty());
        // Gaps are no damage, and everything that is there is what it was.
        assert!(small.unread.is_nothing(), "{:?}", small.unread);
        assert!(small.missing.len() > 1 && small.missing_sentence().is_some(), "{:?}", small.missing);
        assert!(small.records.iter().all(|kept| whole.records.contains(kept)));
        assert_eq!(small.end.map(|end| end.next), whole.end.map(|end| end.next));
        let frequent = |record: &Record| {
            matches!(record, Record::Interval(_) | Record::Spectrum(_) | Record::Capture(_))
        };
        let rare = |log: &Log| log.records.iter().filter(|kept| !frequent(&kept.record)).cloned().collect();
        let (kept, all): (Vec<_>, Vec<_>) = (rare(&small), rare(&whole));
        assert_eq!(kept, all);
        assert!(all.iter().any(|kept| matches!(kept.record, Record::Event(_))));
        assert!(small.records.len() < whole.records.len() / 2, "{}", small.records.len());
    }
}
