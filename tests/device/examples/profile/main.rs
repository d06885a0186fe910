//! Where the instructions of the ARM image go: `cargo run -p wyelog-device-tests --example profile`.
//!
//! A plugin of the emulator counts every instruction by its address (`count.c`; needs a C compiler and Linux). The difference of
//! a run of 70 s and one of 10 s is 60 s of signal in the long run; the image's debug information makes functions of the
//! addresses, also of what was inlined. Beside it stand the multiply-adds that the method needs at least.

use std::collections::BTreeMap;
use std::error::Error;
use std::path::Path;
use std::process::Command;

use addr2line::gimli::{Dwarf, EndianSlice, RunTimeEndian, SectionId};
use object::{Object, ObjectSection};
use wyelog_device_tests::arm::Board;
use wyelog_firmware::frontend::Input;
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape::from_scenario;

const SHORT_S: usize = 10;
const LONG_S: usize = 70;

fn main() -> Result<(), Box<dyn Error>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let scenario = Scenario::read(&folder.join("scenarios/blown_fuse_b.toml"))?;
    let board = Board::new();
    let plugin = board.folder().join("count.so");
    let mut compiler = Command::new("cc");
    compiler.args(["-shared", "-fPIC", "-O2", "-o"]).arg(&plugin);
    let compiled = compiler.arg(folder.join("examples/profile/count.c")).status();
    if !compiled.is_ok_and(|status| status.success()) {
        return Err("count.c does not compile; install a C compiler (Debian: apt-get install gcc)".into());
    }
    let count = |seconds: usize| -> Result<BTreeMap<u64, u64>, Box<dyn Error>> {
        let inputs: Vec<Input> = from_scenario(&scenario).take(seconds * 4800).collect();
        board.insert(&scenario.settings(), inputs);
        let _ = std::fs::remove_file(board.folder().join("flash"));
        let mut options = board.options();
        options.plugin = Some(format!("{},out=counts", plugin.display()));
        board.run(&options);
        let counts = std::fs::read_to_string(board.folder().join("counts"))?;
        let pairs = counts.lines().filter_map(|line| line.split_once(' '));
        Ok(pairs.filter_map(|(at, count)| Some((at.parse().ok()?, count.parse().ok()?))).collect())
    };
    let (short, long) = (count(SHORT_S)?, count(LONG_S)?);

    let image = std::fs::read(&board.options().image)?;
    let elf = object::File::parse(image.as_slice())?;
    let dwarf = Dwarf::load(|id: SectionId| {
        let bytes =
            elf.section_by_name(id.name()).and_then(|section| section.data().ok()).unwrap_or_default();
        Ok::<_, object::Error>(EndianSlice::new(bytes, RunTimeEndian::Little))
    })?;
    let lines = addr2line::Context::from_dwarf(dwarf)?;
    let mut by_function: BTreeMap<String, u64> = BTreeMap::new();
    for (at, count) in &long {
        let more = count - short.get(at).copied().unwrap_or(0).min(*count);
        *by_function.entry(function(&lines, *at)).or_default() += more;
    }
    let seconds = (LONG_S - SHORT_S) as u64;
    let total: u64 = by_function.values().sum();
    println!("instructions a second of signal, mean of {seconds} s, the whole image: {}", total / seconds);
    let mut rows: Vec<(String, u64)> = by_function.into_iter().collect();
    rows.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    for (name, count) in rows.iter().take(30) {
        println!("{:>10}  {:>5.1} %  {name}", count / seconds, 100.0 * *count as f64 / total as f64);
    }
    println!();
    least(total / seconds);
    Ok(())
}

type Lines<'a> = addr2line::Context<EndianSlice<'a, RunTimeEndian>>;

/// Folders whose functions are told apart, and what is kept of their paths.
const OURS: [&str; 4] = ["firmware/", "protocol/", "microfft", "libm"];

/// File and function of the innermost frame at an address that is in one of [`OURS`]; what core and others do inside is
/// counted to who asked for it.
fn function(lines: &Lines<'_>, at: u64) -> String {
    let Ok(mut frames) = lines.find_frames(at).skip_all_loads() else { return "?".to_owned() };
    while let Ok(Some(frame)) = frames.next() {
        let Some(file) = frame.location.as_ref().and_then(|location| location.file) else { continue };
        let file = file.replace('\\', "/");
        let Some(start) = OURS.iter().filter_map(|folder| file.rfind(folder)).max() else { continue };
        let name = frame.function.as_ref().and_then(|function| function.demangle().ok());
        let name =
            name.map_or_else(String::new, |name| name.split('<').next().unwrap_or_default().to_owned());
        return format!("{} {name}", file.get(start..).unwrap_or(&file));
    }
    "memory copies and the like".to_owned()
}

/// The multiply-adds that the method needs at least, at 60 Hz.
fn least(instructions: u64) {
    let parts: [(&str, u64); 6] = [
        ("resampling: 5 windows, 1024 points, 4 channels, 24 taps", 5 * 1024 * 4 * 24),
        // 512 complex points: 9 stages of 256 butterflies of 4, then 512 times 4 for the real ones.
        ("transforms: 20 of 1024 real points", 20 * (9 * 256 * 4 + 512 * 4)),
        ("rms: a square a point", 5 * 1024 * 4),
        ("half cycles: a square a frame and voltage", 4800 * 3),
        ("cycle watch: 2 a frame and voltage", 4800 * 3 * 2),
        ("subgroups: 25 of 3 bins, 2 squares each, 4 channels", 5 * 25 * 3 * 2 * 4),
    ];
    println!("multiply-adds a second of signal that the method needs at least");
    for (what, count) in parts {
        println!("{count:>10}  {what}");
    }
    let least: u64 = parts.iter().map(|(_, count)| count).sum();
    println!("{least:>10}  in all: {:.1} instructions each", instructions as f64 / least as f64);
}
