//! throwaway
#![allow(unsafe_code, missing_docs)]
#![no_std]
#![no_main]
mod clock; mod flash; mod log; mod machine; mod note; mod options; mod owned; mod semihosting; mod uart;
use core::sync::atomic::{AtomicU32, Ordering};
use cortex_m::peripheral::{NVIC, SCB, scb::SystemHandler};
use cortex_m_rt::{entry, exception};
use machine::Line;
use options::{Options, Trip};
use owned::Owned;
use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
pub const SCHEMA: u32 = 0x1234;
static TIMER: Owned<clock::FrameTimer> = Owned::empty();
static METER: AtomicU32 = AtomicU32::new(0);
pub extern "C" fn frames() { log::FRAMES.fetch_add(1, Ordering::Relaxed); TIMER.with(|t| t.strike()); SCB::set_pendsv(); }
pub extern "C" fn uart_receive() { uart::received() }
pub extern "C" fn uart_transmit() { uart::sent() }
#[exception] fn PendSV() { METER.fetch_add(1, Ordering::Relaxed); }
#[entry]
fn main() -> ! {
    static mut QUEUES: uart::Queues = uart::Queues::new();
    let Some(options) = Options::read() else { semihosting::exit(2) };
    if let Some(n) = &options.log { log::open(n); }
    let note = note::take();
    defmt::info!("boot, note {}", note);
    clock::start();
    let mut p = cortex_m::Peripherals::take().unwrap();
    unsafe {
      p.NVIC.set_priority(Line::Frame, 0x20); p.NVIC.set_priority(Line::UartReceive, 0x40); p.NVIC.set_priority(Line::UartTransmit, 0x40);
      p.SCB.set_priority(SystemHandler::PendSV, 0x80);
      NVIC::unmask(Line::Frame); NVIC::unmask(Line::UartReceive); NVIC::unmask(Line::UartTransmit);
    }
    if note.is_none() {
    match options.trip { Some(Trip::Panic) => panic!("x"), Some(Trip::HardFault) => unsafe { core::ptr::without_provenance::<u32>(0x9000_0000).read_volatile(); }, None => {} }
    }
    if let Some(n) = &options.tape { let f = semihosting::File::open(n, semihosting::Mode::Read).unwrap(); let mut b = [0u8; 16]; let c = f.read(&mut b); defmt::info!("tape {} bytes long, read {}: {:a}", f.length(), c, b); }
    if let Some(n) = &options.flash {
      let mut f = flash::Flash::open(n, options.real_time, options.erase).unwrap();
      let s = clock::now(); f.erase(4096, 8192).unwrap(); let e = clock::now(); defmt::info!("erase {} ticks", e.wrapping_sub(s));
      let s = clock::now(); f.write(4096+250, &[0xF0; 10]).unwrap(); f.write(4096+250, &[0x1F; 10]).unwrap(); let e = clock::now(); defmt::info!("write twice two pages {} ticks", e.wrapping_sub(s));
      let mut b = [0u8; 12]; f.read(4096+249, &mut b).unwrap(); defmt::info!("{:x} cap {}", b, f.capacity());
    }
    TIMER.give(clock::FrameTimer::start());
    let start = clock::now();
    while log::FRAMES.load(Ordering::Relaxed) < 9600 {}
    defmt::info!("9600 frames in {} ticks, meter {}", clock::now().wrapping_sub(start), METER.load(Ordering::Relaxed));
    if options.exit_at_end { semihosting::exit(0) }
    let mut u = uart::Uart::start(QUEUES);
    let mut b = [0u8; 64];
    loop { let n = u.read(&mut b); if n > 0 { u.write(&b[..n]); } else { cortex_m::asm::wfi(); } }
}
