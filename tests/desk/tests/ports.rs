//! Ports that are not there, taken, or served by something else; and a simulated board behind a real one.

use std::io::Write;

use tempfile::TempDir;
use wyelog::device::{Port, Transport};
use wyelog_desk_tests::device::{Served, framed, framed_bytes, keeper, listener};
use wyelog_desk_tests::emulate::Emulate;
use wyelog_desk_tests::{Ended, wyelog_in};
use wyelog_protocol::message::{Identity, Reply, Request};
use wyelog_protocol::text;
use wyelog_simulator::line::LineFaults;

fn download(folder: &TempDir, port: &str) -> Ended {
    wyelog_in(folder.path(), &["download", "--port", port, "--out", "b.log"])
}

fn assert_refused(port: &str, said: &str) {
    let folder = tempfile::tempdir().unwrap();
    let ended = download(&folder, port);
    assert_eq!((ended.code, ended.err.as_str(), ended.out.as_str()), (Some(1), said, ""));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "a file is left");
}

#[test]
fn no_port() {
    let (listener, address) = listener();
    drop(listener);
    assert_refused(
        &format!("tcp:{address}"),
        &format!(
            "wyelog: tcp:{address}: there is no such port (nothing listens there); check host and port, and start what \
             serves it\n"
        ),
    );
    assert_refused(
        "tcp:here",
        "wyelog: tcp:here: not the name of a port (invalid socket address); give a serial port such as /dev/ttyUSB0 or \
         COM3, or tcp:HOST:PORT such as tcp:127.0.0.1:4100\n",
    );
    #[cfg(unix)]
    assert_refused(
        "/dev/no-such-port",
        "wyelog: /dev/no-such-port: there is no such port (No such file or directory); plug the cable in, look which port \
         the system gives it, and start what serves it\n",
    );
}

#[test]
fn a_taken_network_port() {
    let device = Served::keeper(keeper("L1", 5, 64), LineFaults::NONE, None);
    let mut first = Port::open(&device.port, Port::BAUD).unwrap();
    // Until it is let in.
    first.send(&[0]).unwrap();
    std::thread::sleep(std::time::Duration::from_millis(100));
    let said = format!(
        "wyelog: {}: the port is taken by another program; close the other program, or wait until it is done\n",
        device.port
    );
    assert_refused(&device.port, &said);
}

#[test]
fn a_silent_port() {
    let (_listener, address) = listener();
    assert_refused(
        &format!("tcp:{address}"),
        &format!(
            "wyelog: tcp:{address}: the logger is silent: no answer to 5 requests in 7.5 s; check that this is the logger's \
             port, that it has power, and the cable (RX and TX crossed)\n"
        ),
    );
}

#[test]
fn a_port_with_something_else_behind_it() {
    let device = Served::answering(|_, _| b"login: \0\x15\x22".to_vec());
    let folder = tempfile::tempdir().unwrap();
    let ended = download(&folder, &device.port);
    assert_eq!(ended.code, Some(1));
    assert_eq!(
        ended.err,
        format!(
            "wyelog: {}: 50 bytes came, but nothing intact that answers a request; check the speed (--baud), the cable and \
             its ground, and that this is the logger's port\n",
            device.port
        )
    );
}

/// The identity of a logger with these kinds of records, under another schema.
fn identity(kinds: &[(u8, u8)]) -> Reply<'static> {
    Reply::Identity(Identity {
        schema: 0x1234,
        firmware: "9.0.0",
        board: "test",
        device: text("L3"),
        boot: 1,
        frames_per_second: 4800,
        kinds: kinds.iter().copied().collect(),
    })
}

#[test]
fn a_logger_of_a_schema_of_which_nothing_can_be_read() {
    let hint = "use a wyelog as new as the logger's firmware";
    let device = Served::answering(|number, _| framed(number, identity(&[(77, 1), (78, 3)])));
    let said = format!(
        "wyelog: {}: the logger speaks another language than this program (schema 0000000000001234); {hint}\n",
        device.port
    );
    assert_refused(&device.port, &said);
    let device = Served::answering(|number, _| framed_bytes(&[number as u8, 250, 1, 2, 3]));
    let said = format!(
        "wyelog: {}: the logger speaks another language than this program (schema unknown); {hint}\n",
        device.port
    );
    assert_refused(&device.port, &said);
}

#[test]
fn a_logger_of_another_schema_is_read_as_far_as_it_is_known() {
    let device = Served::answering(|number, request| {
        let extent = wyelog_protocol::message::Extent { boot: 1, oldest: 0, next: 2, refused: 0 };
        match request {
            Request::Identify => framed(number, identity(&[(3, 1), (77, 1)])),
            Request::ReadExtent => framed(number, Reply::Extent(extent)),
            Request::ReadLog { .. } => {
                // A status record 'frames lost: 5' of start 1, and one of a kind from the future.
                let records = [3, 1, 5, 1, 0, 0, 2, 5, 77, 1, 2, 8, 9];
                framed(number, Reply::Records { first: 0, bytes: &records })
            }
            _ => framed(number, Reply::NotUnderstood),
        }
    });
    let folder = tempfile::tempdir().unwrap();
    let ended = download(&folder, &device.port);
    assert_eq!(ended.code, Some(1), "{ended:?}");
    assert_eq!(ended.out, "b.log: 2 records from logger L3\n");
    for part in [
        "logger L3 (firmware 9.0.0) writes another schema than this program knows; what both know is read",
        "b.log: 1 record of kind 77 version 1 not known here: a newer logger wrote that; update wyelog",
    ] {
        assert!(ended.err.contains(part), "no {part:?} in {}", ended.err);
    }
    let ended = wyelog_in(folder.path(), &["alarms", "b.log"]);
    assert_eq!(
        (ended.code, ended.out.as_str()),
        (Some(1), "No alarm in 1 record that could be read; there may be one in what could not.\n")
    );
}

fn assert_alarm(folder: &TempDir) {
    let ended = wyelog_in(folder.path(), &["alarms", "b.log"]);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    assert!(ended.out.contains("SIMULATED  Quillmere 3  blown_fuse  B      crew"), "{}", ended.out);
}

#[test]
fn a_simulated_board_on_a_network_port_with_line_errors() {
    let mut board =
        Emulate::start(&["blown_fuse", "--pace", "free", "--line-errors", "0.0005", "--for", "60"]);
    board.wait_for_the_signal_to_end();
    let folder = tempfile::tempdir().unwrap();
    let ended = download(&folder, &board.port);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    assert_alarm(&folder);
    // Its port cannot be had twice.
    let ended = wyelog_in(folder.path(), &["emulate", "healthy", "--port", &board.port, "--for", "1"]);
    assert_eq!(ended.code, Some(1));
    assert!(ended.err.contains("the port is taken: choose another, or 0 for any free one"), "{}", ended.err);
}

#[test]
fn a_flash_file_keeps_the_log_from_one_run_to_the_next() {
    let folder = tempfile::tempdir().unwrap();
    let flash = folder.path().join("flash.bin").display().to_string();
    for _ in 0..2 {
        let ended = wyelog_in(
            folder.path(),
            &["emulate", "blown_fuse", "--pace", "free", "--flash", &flash, "--for", "3"],
        );
        assert_eq!(ended.code, Some(0), "{ended:?}");
    }
    let board = Emulate::start(&["healthy", "--flash", &flash, "--for", "60"]);
    assert_eq!(download(&folder, &board.port).code, Some(0));
    let ended = wyelog_in(folder.path(), &["alarms", "--json", "b.log"]);
    let boots: Vec<&str> = ended.out.lines().filter(|line| line.contains("\"blown_fuse\"")).collect();
    assert_eq!(boots.len(), 2, "{}", ended.out);
    assert!(boots[0].contains("\"boot\":1") && boots[1].contains("\"boot\":2"), "{}", ended.out);
    // Where it cannot be kept, that is said before the run and not behind it.
    let ended = wyelog_in(folder.path(), &["emulate", "healthy", "--flash", "no/such/flash", "--for", "1"]);
    assert_eq!((ended.code, ended.out.as_str()), (Some(1), ""));
    assert!(ended.err.contains("check the folder, its rights and the room on the disk"), "{}", ended.err);
    std::fs::File::create(&flash).unwrap().write_all(&[0xFF; 100]).unwrap();
    let ended = wyelog_in(folder.path(), &["emulate", "healthy", "--flash", &flash, "--for", "1"]);
    assert_eq!(ended.code, Some(1));
    assert!(ended.err.contains("100 bytes are no flash of 4096-byte sectors"), "{}", ended.err);
}

#[cfg(unix)]
#[test]
fn a_serial_port_is_read_taken_and_vanishes() {
    let mut board = Emulate::start(&["blown_fuse", "--pace", "free", "--port", "pty", "--for", "60"]);
    board.wait_for_the_signal_to_end();
    let folder = tempfile::tempdir().unwrap();
    let ended = download(&folder, &board.port);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{ended:?}");
    assert_alarm(&folder);
    let held = Port::open(&board.port, Port::BAUD).unwrap();
    let ended = wyelog_in(folder.path(), &["download", "--port", &board.port, "--out", "c.log"]);
    let said = format!(
        "wyelog: {}: the port is taken by another program; close the other program, or wait until it is done\n",
        board.port
    );
    assert_eq!((ended.code, ended.err), (Some(1), said));
    drop(held);
    let port = board.port.clone();
    drop(board);
    assert_refused(
        &port,
        &format!(
            "wyelog: {port}: there is no such port (No such file or directory); plug the cable in, look which port the \
             system gives it, and start what serves it\n"
        ),
    );
}
