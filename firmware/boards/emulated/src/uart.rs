//! UART 0: the link's bytes, both ways through queues.
//!
//! The receive queue holds 511 bytes: 44 ms of an unbroken stream at 115200 baud. While a sector is erased, 400 ms at the
//! worst, nobody empties it. That is room for some thirty requests, where a host that waits for its answer, and asks
//! again when none comes, sends one or two. What comes when it is full is dropped and counted: the frame it belongs to
//! fails its CRC, so that it is never answered wrongly, and the host asks again.
//!
//! Registers: ARM "Cortex-M System Design Kit", APB UART.

use crate::machine::{Line, Register};
use crate::owned::Owned;
use core::convert::Infallible;
use core::sync::atomic::{AtomicU32, Ordering};
use cortex_m::peripheral::NVIC;
use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};
use heapless::spsc::{Consumer, Producer, Queue};

const DATA: Register = Register::at(0x4000_4000);
const STATE: Register = Register::at(0x4000_4004);
const CTRL: Register = Register::at(0x4000_4008);
const INTCLEAR: Register = Register::at(0x4000_400C);
const BAUDDIV: Register = Register::at(0x4000_4010);

const STATE_SENDING: u32 = 1 << 0;
const STATE_RECEIVED: u32 = 1 << 1;
const BOTH_WAYS_WITH_INTERRUPTS: u32 = 0b1111;
const INT_TRANSMIT: u32 = 1 << 0;
const INT_RECEIVE: u32 = 1 << 1;

/// 115200 baud from 25 MHz. The emulator minds no baud rate, but refuses a divisor below 16.
const DIVISOR: u32 = 217;

/// Room for requests that come in while the Keeper erases a sector.
const RECEIVE: usize = 512;
/// Room for a reply.
const TRANSMIT: usize = 1024;

/// The queues behind a [`Uart`].
pub struct Queues {
    receive: Queue<u8, RECEIVE>,
    transmit: Queue<u8, TRANSMIT>,
}

impl Queues {
    /// Empty ones.
    pub const fn new() -> Self {
        Self { receive: Queue::new(), transmit: Queue::new() }
    }
}

/// Bytes received that found the queue full.
pub static LOST: AtomicU32 = AtomicU32::new(0);

static RECEIVING: Owned<Producer<'static, u8>> = Owned::empty();
static SENDING: Owned<Consumer<'static, u8>> = Owned::empty();

/// The main thread's end.
pub struct Uart {
    receive: Consumer<'static, u8>,
    transmit: Producer<'static, u8>,
}

impl Uart {
    /// Starts it.
    pub fn start(queues: &'static mut Queues) -> Self {
        let (receiving, receive) = queues.receive.split();
        let (transmit, sending) = queues.transmit.split();
        RECEIVING.give(receiving);
        SENDING.give(sending);
        BAUDDIV.write(DIVISOR);
        CTRL.write(BOTH_WAYS_WITH_INTERRUPTS);
        Self { receive, transmit }
    }

    /// Whether a byte waits.
    pub fn has_received(&self) -> bool {
        self.receive.ready()
    }
}

impl ErrorType for Uart {
    type Error = Infallible;
}

impl ReadReady for Uart {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(self.has_received())
    }
}

impl Read for Uart {
    fn read(&mut self, bytes: &mut [u8]) -> Result<usize, Infallible> {
        let mut count: usize = 0;
        for byte in bytes {
            let Some(received) = self.receive.dequeue() else { break };
            *byte = received;
            count = count.saturating_add(1);
        }
        Ok(count)
    }
}

impl WriteReady for Uart {
    fn write_ready(&mut self) -> Result<bool, Infallible> {
        Ok(self.transmit.ready())
    }
}

impl Write for Uart {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        let mut count: usize = 0;
        for byte in bytes {
            if self.transmit.enqueue(*byte).is_err() {
                break;
            }
            count = count.saturating_add(1);
        }
        self.flush()?;
        Ok(count)
    }

    fn flush(&mut self) -> Result<(), Infallible> {
        // The interrupt comes when a byte has left: the first one needs a push.
        NVIC::pend(Line::UartTransmit);
        Ok(())
    }
}

/// To be called when a byte has come in.
pub fn received() {
    INTCLEAR.write(INT_RECEIVE);
    while STATE.read() & STATE_RECEIVED != 0 {
        let byte = (DATA.read() & 0xFF) as u8;
        if let Some(Err(_)) = RECEIVING.with(|queue| queue.enqueue(byte)) {
            LOST.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// To be called when a byte has left.
pub fn sent() {
    INTCLEAR.write(INT_TRANSMIT);
    if STATE.read() & STATE_SENDING == 0
        && let Some(Some(byte)) = SENDING.with(|queue| queue.dequeue())
    {
        DATA.write(u32::from(byte));
    }
}
