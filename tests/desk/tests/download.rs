//! Downloads: over clean and bad lines, broken off and taken up again.

use std::fs;
use std::path::Path;

use tempfile::TempDir;
use wyelog::log::Log;
use wyelog_desk_tests::device::{Served, framed, keeper};
use wyelog_desk_tests::{Ended, wyelog_in};
use wyelog_protocol::message::{Extent, Identity, Reply, Request};
use wyelog_protocol::text;
use wyelog_simulator::line::LineFaults;

/// Records that the logger writes at its start: boot and settings.
const AT_START: u64 = 2;
const INTERVALS: u64 = 2500;

fn download(folder: &TempDir, port: &str, file: &str, more: &[&str]) -> Ended {
    wyelog_in(folder.path(), &[&["download", "--port", port, "--out", file], more].concat())
}

fn clean(folder: &TempDir) -> Vec<u8> {
    let device = Served::keeper(keeper("L1", INTERVALS, 256), LineFaults::NONE, None);
    let ended = download(folder, &device.port, "clean.log", &[]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
    assert_eq!(ended.out, format!("clean.log: {} records from logger L1\n", INTERVALS + AT_START));
    fs::read(folder.path().join("clean.log")).unwrap()
}

fn no_part_is_left(folder: &TempDir, file: &str) {
    assert!(!folder.path().join(format!("{file}.part")).exists());
}

#[test]
fn a_bad_line_costs_time_and_not_one_byte() {
    let folder = tempfile::tempdir().unwrap();
    let clean = clean(&folder);
    assert!(clean.len() > 100_000, "{}", clean.len());
    let log = Log::from_source(clean.as_slice()).unwrap();
    assert!(log.unread.is_nothing() && log.records.len() as u64 == INTERVALS + AT_START);
    let bad = LineFaults { seed: 11, ..LineFaults::NONE };
    for (name, faults) in [
        ("byte errors", LineFaults { byte_error: 2e-4, ..bad }),
        // Seven of eight full frames are damaged.
        ("many byte errors", LineFaults { byte_error: 2e-3, ..bad }),
        ("lost bytes", LineFaults { byte_loss: 2e-4, ..bad }),
        ("lost frames", LineFaults { burst_loss: 1e-4, burst_bytes: 1500, ..bad }),
        ("disconnects", LineFaults { bytes_to_disconnect: Some(30_000), ..bad }),
    ] {
        let device = Served::keeper(keeper("L1", INTERVALS, 256), faults, None);
        let file = format!("{}.log", name.replace(' ', "-"));
        let ended = download(&folder, &device.port, &file, &[]);
        let counts = device.end();
        assert!(counts.byte_errors + counts.lost_bytes + counts.disconnects > 3, "{name}: {counts:?}");
        assert_eq!(ended.code, Some(0), "{name}: {ended:?}");
        assert!(ended.err.starts_with("wyelog: the line was not clean: "), "{name}: {}", ended.err);
        assert!(fs::read(folder.path().join(&file)).unwrap() == clean, "{name}: another file");
        no_part_is_left(&folder, &file);
    }
}

#[test]
fn a_vanished_port_is_told_and_the_same_command_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let clean = clean(&folder);
    let faults = LineFaults { bytes_to_disconnect: Some(40_000), ..LineFaults::NONE };
    let device = Served::keeper(keeper("L1", INTERVALS, 256), faults, Some(1));
    let ended = download(&folder, &device.port, "b.log", &[]);
    assert_eq!(ended.code, Some(1), "{ended:?}");
    let expected = format!("wyelog: {}: the port has vanished (", device.port);
    assert!(ended.err.starts_with(&expected), "{}", ended.err);
    let hint = "; plug the cable in again and repeat the command: it goes on where it stopped (what had come is kept \
                in b.log.part)\n";
    assert!(ended.err.ends_with(hint), "{}", ended.err);
    drop(device);
    let part = folder.path().join("b.log.part");
    let kept = Log::read(&part).unwrap();
    assert!(kept.unread.is_cut && kept.unread.damaged_pieces == 0);
    assert!((100..INTERVALS as usize).contains(&kept.records.len()), "{}", kept.records.len());
    // Power fails in the middle of a write.
    let bytes = fs::read(&part).unwrap();
    fs::write(&part, &bytes[..bytes.len() - 5]).unwrap();
    let device = Served::keeper(keeper("L1", INTERVALS, 256), LineFaults::NONE, None);
    let ended = download(&folder, &device.port, "b.log", &[]);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    assert!(ended.out.contains(", behind what was there"), "{}", ended.out);
    assert!(fs::read(folder.path().join("b.log")).unwrap() == clean);
    no_part_is_left(&folder, "b.log");
}

#[test]
fn a_finished_log_is_brought_up_to_date() {
    let folder = tempfile::tempdir().unwrap();
    let clean = clean(&folder);
    let device = Served::keeper(keeper("L1", 100, 256), LineFaults::NONE, None);
    assert_eq!(download(&folder, &device.port, "b.log", &[]).code, Some(0));
    let device = Served::keeper(keeper("L1", INTERVALS, 256), LineFaults::NONE, None);
    let ended = download(&folder, &device.port, "b.log", &[]);
    assert_eq!(
        ended.out,
        format!("b.log: {} records from logger L1, behind what was there\n", INTERVALS - 100)
    );
    assert!(fs::read(folder.path().join("b.log")).unwrap() == clean);
    // Once more: nothing new, nothing changed.
    let ended = download(&folder, &device.port, "b.log", &[]);
    assert_eq!(ended.out, "b.log: 0 records from logger L1, behind what was there\n");
    assert!(fs::read(folder.path().join("b.log")).unwrap() == clean);
}

#[test]
fn what_the_logger_has_overwritten_is_a_gap_with_its_word() {
    let folder = tempfile::tempdir().unwrap();
    // 8 sectors of 4 KiB hold the last few hundred, and the first two: they are no intervals.
    let small = || Served::keeper(keeper("L2", INTERVALS, 8), LineFaults::NONE, None);
    let device = small();
    let ended = download(&folder, &device.port, "b.log", &["--from", "0"]);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    assert!(ended.err.starts_with("wyelog: b.log: the logger has no records 2 to "), "{}", ended.err);
    let log = Log::read(&folder.path().join("b.log")).unwrap();
    let [(2, oldest)] = log.missing.as_slice() else { panic!("{:?}", log.missing) };
    let numbers: Vec<u32> = log.records.iter().map(|kept| kept.sequence).collect();
    assert_eq!(numbers[..3], [0, 1, *oldest]);
    assert_eq!(ended.out, format!("b.log: {} records from logger L2\n", numbers.len()));
    assert!(log.unread.is_nothing());
    // The oldest record is one that is kept.
    let ended = download(&folder, &device.port, "new.log", &[]);
    assert_eq!(ended.code, Some(0));
    let new = Log::read(&folder.path().join("new.log")).unwrap();
    assert_eq!(new.records, log.records);
}

#[test]
fn files_that_do_not_fit_the_logger_stay_as_they_are() {
    let folder = tempfile::tempdir().unwrap();
    clean(&folder);
    let file = |name: &str| fs::read(folder.path().join(name)).unwrap();
    fs::write(folder.path().join("note.txt"), "not a log").unwrap();
    let before = file("clean.log");
    let other = Served::keeper(keeper("L9", 5, 256), LineFaults::NONE, None);
    let erased = Served::keeper(keeper("L1", 5, 256), LineFaults::NONE, None);
    for (port, name, more, said) in [
        (
            &other.port,
            "note.txt",
            &[][..],
            "note.txt: the file is there and is no wyelog log; choose another name",
        ),
        (
            &other.port,
            "clean.log",
            &[],
            "clean.log: the file is the log of logger L1, and this is logger L9; choose another name",
        ),
        (
            &erased.port,
            "clean.log",
            &[],
            "clean.log: the file ends with record 2501 and the logger with record 6: its memory was replaced or erased; choose another name",
        ),
        (
            &erased.port,
            "clean.log",
            &["--from", "3"],
            "clean.log: the file is there and goes on behind its last record; leave --from away, or choose another name",
        ),
    ] {
        let ended = download(&folder, port, name, more);
        assert_eq!((ended.code, ended.err), (Some(1), format!("wyelog: {said}\n")));
    }
    assert!(file("clean.log") == before && file("note.txt") == b"not a log");
    let gone = Path::new("no/such/folder/b.log").display().to_string();
    let ended = download(&folder, &other.port, &gone, &[]);
    assert_eq!(ended.code, Some(1));
    assert!(ended.err.contains("check the folder, its rights and the room on the disk"), "{}", ended.err);
}

#[test]
fn a_log_with_damage_goes_on_and_stays_marked() {
    let folder = tempfile::tempdir().unwrap();
    let device = Served::keeper(keeper("L1", 50, 256), LineFaults::NONE, None);
    assert_eq!(download(&folder, &device.port, "b.log", &[]).code, Some(0));
    let path = folder.path().join("b.log");
    let mut bytes = fs::read(&path).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(&path, &bytes).unwrap();
    let device = Served::keeper(keeper("L1", 60, 256), LineFaults::NONE, None);
    let ended = download(&folder, &device.port, "b.log", &[]);
    assert_eq!(ended.code, Some(1), "{ended:?}");
    assert!(ended.out.starts_with("b.log: 10 records from logger L1, behind"), "{}", ended.out);
    assert!(ended.err.contains("to get what is damaged again, download into a new file"), "{}", ended.err);
    assert_eq!(Log::read(&path).unwrap().records.len(), 61);
}

#[test]
fn a_line_that_carries_nothing_whole_is_not_called_silent() {
    let folder = tempfile::tempdir().unwrap();
    let device = Served::answering(|number, request| match request {
        Request::Identify => framed(number, identity("L1")),
        Request::ReadExtent => framed(number, Reply::Extent(EXTENT)),
        _ => b"\x05noise\0".to_vec(),
    });
    let started = std::time::Instant::now();
    let ended = download(&folder, &device.port, "b.log", &[]);
    assert_eq!(ended.code, Some(1), "{ended:?}");
    for part in [
        "bytes came, but nothing intact that answers a request; check the speed (--baud)",
        "(what had come is kept in b.log.part, and the same command goes on from there)\n",
    ] {
        assert!(ended.err.contains(part), "no {part:?} in {}", ended.err);
    }
    // As patient as with a silent line, whose answers take as long as they may.
    assert!(started.elapsed().as_secs_f64() > 5.0, "{:?}", started.elapsed());
}

const EXTENT: Extent = Extent { boot: 1, oldest: 0, next: 2, refused: 0 };

fn identity(serial: &str) -> Reply<'static> {
    Reply::Identity(Identity {
        schema: wyelog_protocol::SCHEMA,
        firmware: "9.0.0",
        board: "test",
        device: text(serial),
        boot: 1,
        frames_per_second: 4800,
        kinds: [(3, 1)].into_iter().collect(),
    })
}

#[test]
fn what_the_flash_refused_is_told_after_the_download_and_with_the_alarms() {
    let device = Served::answering(|number, request| {
        let extent = Extent { refused: 7, next: 1, ..EXTENT };
        match request {
            Request::Identify => framed(number, identity("L1")),
            Request::ReadExtent => framed(number, Reply::Extent(extent)),
            // A status record 'frames lost: 5' of start 1.
            Request::ReadLog { .. } => {
                framed(number, Reply::Records { first: 0, bytes: &[3, 1, 5, 1, 0, 0, 2, 5] })
            }
            _ => framed(number, Reply::NotUnderstood),
        }
    });
    let folder = tempfile::tempdir().unwrap();
    let said = "wyelog: b.log: the logger's flash has refused 7 records since start 1: measured, and lost for good; replace \
                the logger before it loses more\n";
    let ended = download(&folder, &device.port, "b.log", &[]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), said));
    let ended = wyelog_in(folder.path(), &["alarms", "b.log"]);
    assert_eq!(
        (ended.code, ended.err.as_str(), ended.out.as_str()),
        (Some(0), said, "No alarm in 1 record.\n")
    );
    let ended = wyelog_in(folder.path(), &["alarms", "--json", "b.log"]);
    assert!(ended.out.contains("\"refused_records\":7"), "{}", ended.out);
}

#[test]
fn no_folder_and_no_device_is_taken_for_a_log() {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("logs")).unwrap();
    let device = Served::keeper(keeper("L1", 5, 64), LineFaults::NONE, None);
    let ended = download(&folder, &device.port, "logs", &[]);
    let said = "wyelog: logs: this is no plain file but a folder; give the name of a file\n";
    assert_eq!((ended.code, ended.err.as_str()), (Some(1), said));
    // It would be read for ever.
    #[cfg(unix)]
    {
        let ended = download(&folder, &device.port, "/dev/zero", &[]);
        let said = "wyelog: /dev/zero: this is no plain file but a device; give the name of a file\n";
        assert_eq!((ended.code, ended.err.as_str()), (Some(1), said));
    }
}

#[test]
fn a_part_that_does_not_fit_is_named_itself() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = clean(&folder);
    fs::write(folder.path().join("b.log.part"), &bytes[..5000]).unwrap();
    let other = Served::keeper(keeper("L9", 5, 64), LineFaults::NONE, None);
    let ended = download(&folder, &other.port, "b.log", &[]);
    let said =
        "wyelog: b.log.part: the file is the log of logger L1, and this is logger L9; choose another name\n";
    assert_eq!((ended.code, ended.err.as_str()), (Some(1), said));
    assert_eq!(fs::read(folder.path().join("b.log.part")).unwrap(), &bytes[..5000]);
}

#[cfg(unix)]
#[test]
fn ctrl_c_keeps_what_has_come() {
    use std::process::{Command, Stdio};
    let folder = tempfile::tempdir().unwrap();
    // One record, and then silence.
    let device = Served::answering(|number, request| match request {
        Request::Identify => framed(number, identity("L1")),
        Request::ReadExtent => framed(number, Reply::Extent(EXTENT)),
        Request::ReadLog { from: 0, .. } => {
            framed(number, Reply::Records { first: 0, bytes: &[3, 1, 5, 1, 0, 0, 2, 5] })
        }
        _ => Vec::new(),
    });
    let child = Command::new(wyelog_desk_tests::binary())
        .args(["download", "--port", &device.port, "--out", "b.log"])
        .current_dir(folder.path())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    std::thread::sleep(std::time::Duration::from_millis(1200));
    assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let said = format!(
        "wyelog: {}: stopped, as asked for; repeat the command: it goes on where it stopped (what had come is kept in \
         b.log.part)\n",
        device.port
    );
    assert_eq!(String::from_utf8_lossy(&output.stderr), said);
    assert_eq!(Log::read(&folder.path().join("b.log.part")).unwrap().records.len(), 1);
}
