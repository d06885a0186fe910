//! What the image and the crates weigh, against `tests/budgets.toml`; no float of the wrong width, no polars.
//!
//! Each test prints its table: `cargo task budgets` shows it.

use object::{Object, ObjectSection, ObjectSymbol, RelocationTarget, SectionKind, SymbolKind};
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::process::Command;

/// No edit of the budgets lifts these: bytes of flash and of RAM.
const CEILING: (u64, u64) = (131_072, 65_536);

/// Statics below this many bytes are summed up.
const SMALL: u64 = 256;

/// Soft-float routines for f64: an M4F has hardware for f32 only.
const F64_ROUTINES: [&str; 6] =
    ["__aeabi_dadd", "__aeabi_dsub", "__aeabi_dmul", "__aeabi_ddiv", "__adddf3", "__muldf3"];

/// Where core keeps the functions that panic.
const PANICS: [&str; 8] = [
    "core::panicking::",
    "core::option::unwrap_failed",
    "core::option::expect_failed",
    "core::result::unwrap_failed",
    "core::slice::index::slice_",
    "core::slice::copy_from_slice_impl::len_mismatch_fail",
    "core::str::slice_error_fail",
    "core::cell::panic_",
];

/// Crates whose trees stay free of the table library.
const NO_TABLES: [&str; 5] =
    ["wyelog-protocol", "wyelog-electrical", "wyelog-firmware", "wyelog-simulator", "wyelog-device-tests"];

/// One host for all, so that the table is the same on each: Windows needs some crates more.
const HOST: &str = "x86_64-unknown-linux-gnu";

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Budgets {
    image: BTreeMap<String, u64>,
    ram: BTreeMap<String, u64>,
    panics: BTreeMap<String, u64>,
    dependencies: BTreeMap<String, u64>,
    stack: BTreeMap<String, u64>,
}

fn budgets() -> Budgets {
    let path = wyelog_task::root().join("tests/budgets.toml");
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn image() -> Vec<u8> {
    let path = wyelog_task::image().unwrap_or_else(|error| panic!("{error}"));
    std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Prints the table and fails if a value is above its budget, or has none.
fn compare(title: &str, measured: &BTreeMap<String, u64>, budget: &BTreeMap<String, u64>) {
    println!("\n{title:<60} {:>9} {:>9}", "measured", "budget");
    let mut over = Vec::new();
    for (name, value) in measured {
        let allowed = budget.get(name).copied().unwrap_or(0);
        println!("  {name:<58} {value:>9} {allowed:>9}");
        if *value > allowed {
            over.push(format!("{name}: {value} where {allowed} are allowed"));
        }
    }
    let gone: Vec<_> = budget.keys().filter(|name| !measured.contains_key(*name)).collect();
    assert!(over.is_empty(), "{title} above tests/budgets.toml:\n  {}", over.join("\n  "));
    assert!(gone.is_empty(), "{title}: tests/budgets.toml names what is not there any more: {gone:?}");
}

/// A symbol's name as in the source; cortex-m-rt's names for `main` and its statics are undone.
fn demangled(name: &str) -> String {
    format!("{:#}", rustc_demangle::demangle(name))
        .replace("__cortex_m_rt_main_trampoline", "main")
        .replace("__cortex_m_rt_main", "main")
}

#[test]
fn the_image_fits() {
    let bytes = image();
    let elf = object::File::parse(&*bytes).unwrap();
    let (mut flash, mut ram) = (0, 0);
    for section in elf.sections() {
        match section.kind() {
            SectionKind::Text | SectionKind::ReadOnlyData | SectionKind::ReadOnlyString
                if section.name() != Ok(".defmt") =>
            {
                flash += section.size();
            }
            SectionKind::Data => {
                flash += section.size();
                ram += section.size();
            }
            SectionKind::UninitializedData => ram += section.size(),
            _ => {}
        }
    }
    let measured = BTreeMap::from([("flash".to_owned(), flash), ("ram".to_owned(), ram)]);
    compare("image, bytes", &measured, &budgets().image);
    assert!(
        flash <= CEILING.0 && ram <= CEILING.1,
        "the image outgrew the ceiling of the budgets themselves"
    );
}

#[test]
fn ram_by_module() {
    let bytes = image();
    let elf = object::File::parse(&*bytes).unwrap();
    let in_ram: HashSet<_> = elf
        .sections()
        .filter(|section| matches!(section.kind(), SectionKind::Data | SectionKind::UninitializedData))
        .map(|section| section.index())
        .collect();
    let mut measured = BTreeMap::from([("others".to_owned(), 0)]);
    for symbol in elf.symbols() {
        if symbol.section_index().is_none_or(|section| !in_ram.contains(&section)) || symbol.size() == 0 {
            continue;
        }
        let name =
            if symbol.size() < SMALL { "others".to_owned() } else { demangled(symbol.name().unwrap_or("?")) };
        *measured.entry(name).or_default() += symbol.size();
    }
    compare("static RAM, bytes", &measured, &budgets().ram);
}

/// Start-up paints the stack, and the board says at the end how much paint is gone. Everything at once: interrupts in each other at
/// the true pace, a fuse that blows with its captures, sectors that are erased. Counted instructions: the same at every run.
#[test]
#[cfg(feature = "log")]
fn worst_stack() {
    use wyelog_device_tests::arm::{Board, line, numbers};
    use wyelog_firmware::frontend::Input;
    use wyelog_protocol::record::ClockSource;
    use wyelog_simulator::emulator::{Erase, Pace};

    let path = wyelog_task::root().join("tests/device/scenarios/blown_fuse_b.toml");
    let scenario =
        wyelog_simulator::scenario::Scenario::read(&path).unwrap_or_else(|error| panic!("{error}"));
    let tape = wyelog_simulator::tape::from_scenario(&scenario);
    let settings = tape.settings().clone();
    let clocks = (0_u64..)
        .map(|n| (n % 192 == 191).then(|| Input::Clock(1_900_000_000_000 + n * 5 / 24, ClockSource::Signal)));
    let inputs = tape.take(32 * 4800).zip(clocks).flat_map(|(input, clock)| [Some(input), clock]).flatten();
    let board = Board::new();
    board.insert(&settings, inputs);
    let mut options = board.options();
    options.pace = Pace::Real;
    options.erase = Erase::Typical;
    options.icount_shift = Some(4);
    let log = board.run(&options);
    let [.., used, size] = numbers(line(&log, "stack:"))[..] else { panic!("{log:?}") };
    assert!(used > 1000 && used < size, "{used} of {size}");
    compare("stack, bytes", &BTreeMap::from([("used".to_owned(), used)]), &budgets().stack);
}

#[test]
fn no_f64_on_the_device() {
    let bytes = image();
    let elf = object::File::parse(&*bytes).unwrap();
    let linked: Vec<_> = elf
        .symbols()
        .filter_map(|symbol| symbol.name().ok())
        .filter(|name| F64_ROUTINES.contains(name))
        .collect();
    assert!(linked.is_empty(), "the image computes with f64: {linked:?}");
}

#[test]
fn panic_paths() {
    let bytes = image();
    let elf = object::File::parse(&*bytes).unwrap();
    // Functions by address: (start, end, name).
    let mut functions: Vec<_> = elf
        .symbols()
        .filter(|symbol| symbol.kind() == SymbolKind::Text && symbol.size() > 0)
        .map(|symbol| {
            let start = symbol.address() & !1;
            (start, start + symbol.size(), demangled(symbol.name().unwrap_or("?")))
        })
        .collect();
    functions.sort();
    let panics = |name: &str| PANICS.iter().any(|prefix| name.starts_with(prefix));
    let (mut relocations, mut measured) = (0, BTreeMap::new());
    for section in elf.sections().filter(|section| section.kind() == SectionKind::Text) {
        for (address, relocation) in section.relocations() {
            relocations += 1;
            let RelocationTarget::Symbol(index) = relocation.target() else { continue };
            let target = elf.symbol_by_index(index).unwrap();
            if !panics(&demangled(target.name().unwrap_or("?"))) {
                continue;
            }
            let holder = functions
                .iter()
                .find(|(start, end, _)| (*start..*end).contains(&address))
                .map_or("?", |(_, _, name)| name.as_str());
            if !panics(holder) {
                *measured.entry(holder.to_owned()).or_default() += 1;
            }
        }
    }
    assert!(
        relocations > 100,
        "the image was linked without --emit-relocs: nothing can be said about its panics"
    );
    compare("jumps into core's panics", &measured, &budgets().panics);
}

#[test]
fn dependencies() {
    let budget = budgets().dependencies;
    let measured: BTreeMap<String, u64> =
        budget.keys().map(|package| (package.clone(), tree(package).len() as u64)).collect();
    compare("crates compiled in", &measured, &budget);
    for package in NO_TABLES {
        assert!(budget.contains_key(package), "{package} has no budget of dependencies");
        let tables: Vec<_> = tree(package).into_iter().filter(|name| name.starts_with("polars")).collect();
        assert!(tables.is_empty(), "{package} depends on {tables:?}");
    }
}

/// Every crate that is compiled into `package`, beside itself, as "name version".
fn tree(package: &str) -> BTreeSet<String> {
    let output = Command::new(env!("CARGO"))
        .args(["tree", "--package", package, "--edges", "normal", "--prefix", "none", "--format", "{p}"])
        .args(["--target", if package.starts_with("wyelog-board") { wyelog_task::TARGET } else { HOST }])
        .current_dir(wyelog_task::root())
        .output()
        .expect("cargo runs");
    assert!(output.status.success(), "cargo tree: {}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("cargo prints UTF-8");
    text.lines()
        .skip(1)
        .filter(|line| !line.is_empty())
        .map(|line| line.split_whitespace().take(2).collect::<Vec<_>>().join(" "))
        .filter(|line| !line.starts_with(&format!("{package} ")))
        .collect()
}
