//! The logger on an emulated Cortex-M4F: the AN386 machine of qemu-system-arm. How it is run: `options`.
//!
//! | priority | who | does |
//! |---|---|---|
//! | 1 | frame timer | next input of the tape → Meter's queue ([`frames`]) |
//! | 2 | UART 0 | bytes of the link ↔ queues ([`uart`]) |
//! | 3 | PendSV | Meter: its queue → records' queue ([`metering`]) |
//! | thread | [`main`] | Keeper: records' queue → flash; answers the link; may wait |
//!
//! With `pace=real` the frame timer strikes 4800 times a second; with `pace=free` the main thread pends its interrupt
//! whenever all that was queued is worked off, so that a tape is played as fast as the emulator can.
#![no_std]
#![no_main]
#![deny(
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_possible_wrap,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic
)]

mod backlog;
mod clock;
mod fault;
mod flash;
mod frames;
mod log;
mod machine;
mod metering;
mod note;
mod options;
mod owned;
mod rtc_file;
mod semihosting;
mod stack;
mod tape_file;
mod uart;

use core::sync::atomic::Ordering;
use cortex_m::peripheral::NVIC;
use cortex_m_rt::{entry, exception};
use flash::Flash;
use frames::{DAMAGED, ENDED, FRAMES, Frames};
use heapless::spsc::Queue;
use machine::Line;
use metering::{METERING, Metering};
use options::Options;
use rtc_file::RtcFile;
use semihosting::refuse;
use tape_file::TapeFile;
use wyelog_firmware::capture::Packed;
use wyelog_firmware::keeper::{Device, Keeper};
use wyelog_firmware::meter::{Buffers, Meter};
use wyelog_firmware::outbox::{Queues, RecordQueue, SAMPLES};
use wyelog_firmware::rtc;
use wyelog_firmware::tape::{self, Item};
use wyelog_protocol::message::Live;
use wyelog_protocol::text;

/// Inputs that may wait while the Meter is busy with a window: 53 ms of frames.
const INPUT_QUEUE: usize = 256;

#[entry]
fn main() -> ! {
    static mut BUFFERS: Buffers = Buffers::new();
    static mut INPUTS: Queue<Item, INPUT_QUEUE> = Queue::new();
    static mut RECORD_QUEUE: RecordQueue = RecordQueue::new();
    static mut LIVE_QUEUE: Queue<Live, 2> = Queue::new();
    static mut SAMPLE_QUEUE: Queue<Packed, SAMPLES> = Queue::new();
    static mut UART_QUEUES: uart::Queues = uart::Queues::new();

    machine::prepare();
    let Some(options) = Options::read() else { refuse(c"a word of the command line is not known\n", 2) };
    if let Some(name) = &options.log {
        log::open(name);
    }
    let crash = note::take();
    clock::start();
    let Some(mut tape) = TapeFile::open(&options.tape) else { refuse(c"tape=: no such file\n", 2) };
    let Ok(settings) = tape::decode_head(&mut || tape.next()) else { refuse(c"tape=: not a tape\n", 3) };
    let Some(flash) = Flash::open(&options.flash, options.real_time, options.erase) else {
        refuse(c"flash=: the file cannot be opened or made\n", 2)
    };

    let device = Device { board: "emulated", serial: text("emulated") };
    let (mut keeper, mounted) = Keeper::start(flash, device, settings.clone(), crash);
    if mounted.is_err() {
        defmt::error!("the journal cannot be mounted: nothing will be kept");
    }
    defmt::info!("boot {=u32}, after a crash: {=bool}", keeper.boot(), crash.is_some());

    let (input, inputs) = INPUTS.split();
    let (record, mut records) = RECORD_QUEUE.split();
    let (live, mut lives) = LIVE_QUEUE.split();
    let (sample, mut samples) = SAMPLE_QUEUE.split();
    let mut meter = Meter::new(BUFFERS, &settings, keeper.boot());
    if let Some(baseline) = keeper.baseline() {
        meter.resume(baseline);
    }
    let trip = options.trip.filter(|_| crash.is_none());
    METERING.give(Metering::new(meter, inputs, Queues { records: record, live, samples: sample }, trip));
    let mut clock_chip = RtcFile::open(options.rtc.as_ref());
    frames::ASKED.give(rtc::at_start(&mut clock_chip));
    let mut uart = uart::Uart::start(UART_QUEUES);
    let timer = options.real_time.then(clock::FrameTimer::start);
    FRAMES.give(Frames::new(tape, input, timer));
    machine::unmask();

    loop {
        let ended = ENDED.load(Ordering::Relaxed);
        let mut busy = keeper.serve(&mut uart);
        if let Some(order) = keeper.take_order() {
            rtc::follow(&mut clock_chip, &order);
            frames::ASKED.with(|asked| *asked = Some(order));
        }
        while let Some(record) = records.receive() {
            keeper.store(&record);
            busy = true;
        }
        // Records go first: after each record of a capture it is their turn again.
        while let Some(item) = samples.dequeue() {
            busy = true;
            if keeper.sample(item) {
                break;
            }
        }
        if let Some(live) = lives.dequeue() {
            keeper.take_live(live);
        }
        busy |= keeper.idle();
        if ended && !busy && options.exit_at_end {
            finish(keeper.flash().map_or(0, Flash::erased));
        }
        if !ended && !options.real_time {
            NVIC::pend(Line::Frame);
        } else if !busy {
            machine::sleep_unless(|| {
                let newly_ended = ENDED.load(Ordering::Relaxed) != ended;
                newly_ended || records.ready() || lives.ready() || samples.ready() || uart.has_received()
            });
        }
    }
}

/// Priority 1.
extern "C" fn frame() {
    FRAMES.with(Frames::strike);
    cortex_m::peripheral::SCB::set_pendsv();
}

/// Priority 2.
extern "C" fn uart_receive() {
    uart::received();
}

/// Priority 2.
extern "C" fn uart_transmit() {
    uart::sent();
}

/// Priority 3.
#[exception]
fn PendSV() {
    METERING.with(Metering::run);
}

/// Says what there is to say about the run, and ends the emulator.
fn finish(erased: u32) -> ! {
    METERING.with(|metering| metering.log_cost());
    let (lost, deepest) = (frames::LOST.load(Ordering::Relaxed), frames::DEEPEST.load(Ordering::Relaxed));
    defmt::info!("end of the tape: {=u32} frames lost, at most {=u32} inputs waiting", lost, deepest);
    defmt::info!("{=u32} sectors erased", erased);
    defmt::info!("link: {=u32} bytes found no room", uart::LOST.load(Ordering::Relaxed));
    let (used, size) = stack::used();
    defmt::info!("stack: {=usize} of {=usize} bytes used", used, size);
    semihosting::exit(if DAMAGED.load(Ordering::Relaxed) { 3 } else { 0 })
}
