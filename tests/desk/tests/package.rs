//! What is handed out: `cargo task package` with the tool that these tests use anyway.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

use tempfile::TempDir;
use wyelog::device::{Patience, Port, Session};
use wyelog_desk_tests::device::settings;
use wyelog_desk_tests::{binary, repository, wyelog};
use wyelog_device_tests::arm::Board;
use wyelog_protocol::SCHEMA;
use wyelog_simulator::emulator::{Emulator, End, Serial};

fn task(words: &[&str]) -> Output {
    let output = wyelog_task::cargo().arg("task").args(words).output();
    output.unwrap_or_else(|error| panic!("cargo cannot be started: {error}"))
}

/// The package, made once.
fn package() -> &'static Path {
    static MADE: OnceLock<(TempDir, PathBuf)> = OnceLock::new();
    let (_, folder) = MADE.get_or_init(|| {
        let out = TempDir::new().expect("a temporary folder");
        let binary = binary();
        let words = ["package", "--profile", "dev", "--binary", path(&binary), "--out", path(out.path())];
        let output = task(&words);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let printed = String::from_utf8(output.stdout).expect("a path in UTF-8");
        (out, PathBuf::from(printed.trim_end()))
    });
    folder
}

fn path(path: &Path) -> &str {
    path.to_str().expect("a path in UTF-8")
}

fn text(name: &str) -> String {
    let path = package().join(name);
    fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Every file, by its path in the package.
fn files() -> Vec<PathBuf> {
    let (mut files, mut folders) = (Vec::new(), vec![package().to_owned()]);
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).expect("a folder").flatten() {
            let path = entry.path();
            if path.is_dir() { folders.push(path) } else { files.push(path) }
        }
    }
    files
}

/// The commands that `wyelog --help` shows.
fn commands() -> Vec<String> {
    let help = wyelog(&["--help"]).out;
    // In groups, one of them in two.
    let lines = help.lines().take_while(|line| *line != "Options:");
    let names = lines.filter(|line| line.starts_with("  ") && !line.starts_with("   "));
    let names = names.filter_map(|line| line.split_whitespace().next()).map(str::to_owned);
    names.collect::<BTreeSet<String>>().into_iter().collect()
}

#[test]
fn the_version_is_three() {
    let lines = format!("wyelog {0}\nfirmware {0}\nschema {SCHEMA:016x}\n", env!("CARGO_PKG_VERSION"));
    assert_eq!(wyelog(&["--version"]).out, lines);
    assert_eq!(wyelog(&["-V"]).out, format!("wyelog {}\n", env!("CARGO_PKG_VERSION")));
}

/// Python's hashlib is the judge.
#[test]
fn the_sums_are_right_and_leave_nothing_out() {
    let output = Command::new("python3").arg(repository("tests/desk/verify_sums.py")).arg(package()).output();
    let output = output.unwrap_or_else(|error| panic!("python3: {error}"));
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(String::from_utf8_lossy(&output.stdout).trim(), (files().len() - 1).to_string());
}

#[test]
fn the_tool_in_it_runs() {
    let tool = package().join(format!("wyelog{}", std::env::consts::EXE_SUFFIX));
    let output = Command::new(tool).arg("--version").output().unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(String::from_utf8_lossy(&output.stdout), wyelog(&["--version"]).out);
}

/// Both forms of the image start, and are of the schema that the text beside them names.
#[test]
fn the_image_starts() {
    let name = format!("firmware/wyelog-emulated-{}", env!("CARGO_PKG_VERSION"));
    let about = text(&format!("{name}.txt"));
    assert!(about.contains(&format!("schema    {SCHEMA:016x}\n")), "{about}");
    for ending in ["elf", "bin"] {
        let board = Board::new();
        board.insert(&settings(), std::iter::empty());
        let mut options = board.options();
        options.image = package().join(format!("{name}.{ending}"));
        (options.serial, options.end) = (Serial::Pty, End::Stay);
        let emulator = Emulator::start(&options).unwrap_or_else(|error| panic!("{ending}: {error}"));
        let port = emulator.port().expect("a pseudo-terminal").display().to_string();
        let port = Port::open(&port, Port::BAUD).unwrap_or_else(|error| panic!("{ending}: {error}"));
        let mut session = Session::new(port, Patience::default());
        let hello = session
            .identify()
            .unwrap_or_else(|error| panic!("{ending}: {error}; it said {:?}", emulator.said()));
        assert_eq!(hello.identity.schema, SCHEMA, "{ending}");
        assert_eq!(hello.identity.firmware, env!("CARGO_PKG_VERSION"), "{ending}");
        assert_eq!(hello.identity.board, "emulated", "{ending}");
    }
}

#[test]
fn each_command_has_its_manual_page() {
    let commands = commands();
    assert!(commands.len() >= 20, "{commands:?}");
    let pages = commands.iter().map(|command| format!("wyelog-{command}.1")).chain(["wyelog.1".to_owned()]);
    let wanted: BTreeSet<String> = pages.collect();
    let folder = package().join("man/man1");
    let there = fs::read_dir(&folder).expect("the pages").flatten();
    let there: BTreeSet<String> =
        there.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    assert_eq!(there, wanted);
    for page in &wanted {
        let text = text(&format!("man/man1/{page}"));
        let name = page.trim_end_matches(".1");
        assert!(text.contains(&format!(".TH {name} 1 ")), "{page} has no title");
        assert!(text.is_ascii(), "{page} is not readable to every typesetter");
        let heads: Vec<&str> = text.lines().filter_map(|line| line.strip_prefix(".SH ")).collect();
        assert_eq!(heads.get(..4), Some(&["NAME", "SYNOPSIS", "DESCRIPTION", "OPTIONS"][..]), "{page}");
        // A line that begins with a dot is a request: these are all that occur.
        let requests =
            [".TH", ".SH", ".TP", ".PP", ".RS", ".RE", ".IP", ".nf", ".fi", ".br", ".ie", ".el", ".ds"];
        for line in text.lines().filter(|line| line.starts_with(['.', '\''])) {
            assert!(requests.iter().any(|request| line.starts_with(request)), "{page}: {line}");
        }
    }
    // The typesetter itself, where there is one; its warnings count.
    let pages = wanted.iter().map(|page| folder.join(page));
    if let Ok(output) = Command::new("groff").args(["-man", "-ww", "-z"]).args(pages).output() {
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success() && said.is_empty(), "{said}");
    }
}

/// The shell itself completes: a command's name, and an option of it.
#[cfg(unix)]
#[test]
fn bash_completes() {
    let complete = |words: &str, last: usize| {
        let script = format!(
            "source completions/wyelog.bash; COMP_WORDS=({words}); COMP_CWORD={last}; \
             _wyelog wyelog \"${{COMP_WORDS[{last}]}}\" \"${{COMP_WORDS[{last}-1]}}\"; echo \"${{COMPREPLY[@]}}\""
        );
        let output = Command::new("bash").args(["-c", &script]).current_dir(package()).output();
        let output = output.unwrap_or_else(|error| panic!("bash: {error}"));
        assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout).trim_end().to_owned()
    };
    assert_eq!(complete("wyelog down", 1), "download");
    assert_eq!(complete("wyelog download --po", 2), "--port");
    assert!(!complete("wyelog ''", 1).contains("documents"));
}

#[test]
fn four_shells_have_completions_of_every_command() {
    for file in ["_wyelog", "_wyelog.ps1", "wyelog.bash", "wyelog.fish"] {
        let text = text(&format!("completions/{file}"));
        for command in commands() {
            assert!(text.contains(&command), "{file} lacks {command}");
        }
    }
    assert_eq!(fs::read_dir(package().join("completions")).expect("the folder").count(), 4);
}

#[test]
fn the_work_of_others_is_named_with_its_texts() {
    let list = text("THIRD-PARTY.txt");
    let row = |name: &str| {
        let lines = list.lines().filter(|line| line.starts_with(&format!("  {name} ")));
        lines
            .map(|line| line.split_whitespace().collect::<Vec<_>>())
            .next()
            .unwrap_or_else(|| panic!("{name} is missing"))
    };
    for (name, place, licence) in [
        ("polars", "tool", "MIT"),
        ("serialport", "tool", "MPL-2.0"),
        ("clap", "tool", "MIT"),
        ("zstd-sys", "tool", "BSD-3-Clause"),
        ("heapless", "both", "MIT"),
        ("postcard", "both", "MIT"),
        ("cortex-m-rt", "image", "MIT"),
    ] {
        let row = row(name);
        assert!(row[2] == place && row[3..].contains(&licence), "{row:?}");
    }
    // Macros run in the compiler, test libraries in tests: neither is handed out. Our own licence is beside the list.
    for name in ["serde_derive", "syn", "proptest", "wyelog", "wyelog-firmware", "libfuzzer-sys"] {
        assert!(!list.lines().any(|line| line.starts_with(&format!("  {name} "))), "{name} is listed");
    }
    // Words of the licences themselves, and of a library in C that a crate carries along.
    for words in [
        "Permission is hereby granted, free of charge",
        "Mozilla Public License, v. 2.0",
        "Redistribution and use in source and binary forms",
        ": zstd/LICENSE",
    ] {
        assert!(list.contains(words), "no text says {words:?}");
    }
    // Each number in the list is that of a text.
    let texts = list.lines().filter(|line| line.starts_with("=====")).count();
    let last = row("zerocopy").last().and_then(|number| number.parse::<usize>().ok());
    assert!(last.is_some_and(|number| number <= texts), "{last:?} of {texts}");
    assert!(list.contains("cortex-m-rt 0.7.7: MIT OR Apache-2.0"), "a crate without a licence file is named");
}

#[test]
fn no_text_tells_where_it_was_made() {
    let homes = ["HOME", "CARGO_HOME", "USERPROFILE"].map(std::env::var);
    let mut machine: Vec<String> = homes.into_iter().flatten().filter(|home| home.len() > 1).collect();
    machine.push(path(&wyelog_task::root()).to_owned());
    machine.push(path(&wyelog_task::target_dir()).to_owned());
    // Where cargo keeps the sources of dependencies; the folder below is named after a host.
    machine.push("registry/src".to_owned());
    let mut texts = 0;
    for file in files() {
        let Ok(text) = String::from_utf8(fs::read(&file).expect("a file")) else { continue };
        texts += 1;
        for word in &machine {
            assert!(!text.contains(word), "{} contains {word}", file.display());
        }
    }
    assert!(texts > 20, "only {texts} texts");
    // Nor does the image, which is built with short names for this machine's folders.
    let image =
        fs::read(package().join(format!("firmware/wyelog-emulated-{}.elf", env!("CARGO_PKG_VERSION"))));
    let image = String::from_utf8_lossy(&image.expect("the image")).into_owned();
    // Its debug information names sources of dependencies as `cargo/registry/src/…`.
    for word in machine.iter().filter(|word| *word != "registry/src") {
        assert!(!image.contains(word), "the image contains {word}");
    }
}

#[test]
fn what_the_readme_links_to_is_there() {
    let readme = text("README.md");
    let links = readme.split("](").skip(1).filter_map(|rest| rest.split([')', ' ', '#']).next());
    let links: Vec<&str> = links.filter(|link| !link.is_empty() && !link.contains(':')).collect();
    assert!(links.contains(&"protocol/WIRE.md"), "{links:?}");
    for link in links {
        assert!(package().join(link).is_file(), "{link} is not in the package");
    }
}

#[test]
fn what_is_no_wyelog_is_not_packed() {
    let out = TempDir::new().expect("a temporary folder");
    let cargo = std::env::var("CARGO").expect("tests run under cargo");
    let output = task(&["package", "--binary", &cargo, "--out", path(out.path())]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success());
    assert!(said.contains("--version says") && said.contains("build it anew"), "{said}");
    assert_eq!(fs::read_dir(out.path()).expect("the folder").count(), 0, "something was made all the same");
    let output = task(&["package", "--profile", "fast"]);
    assert!(!output.status.success() && String::from_utf8_lossy(&output.stderr).contains("usage: "));
}
