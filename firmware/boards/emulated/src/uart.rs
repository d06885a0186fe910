//! UART 0: the link's bytes, both ways through queues.
//!
//! Registers: ARM "Cortex-M System Design Kit", APB UART.

use crate::machine::{Line, Register};
use crate::owned::Owned;
use cortex_m::peripheral::NVIC;
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

/// One more than the longest request, framed, that waits while the Keeper erases a sector.
const RECEIVE: usize = 1024;
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

    /// Takes what has come in, as far as `bytes` has room for it, and returns how much that was.
    pub fn read(&mut self, bytes: &mut [u8]) -> usize {
        let mut count: usize = 0;
        for byte in bytes {
            let Some(received) = self.receive.dequeue() else { break };
            *byte = received;
            count = count.saturating_add(1);
        }
        count
    }

    /// Sends what there is room for, and returns how much that was.
    pub fn write(&mut self, bytes: &[u8]) -> usize {
        let mut count: usize = 0;
        for byte in bytes {
            if self.transmit.enqueue(*byte).is_err() {
                break;
            }
            count = count.saturating_add(1);
        }
        // The interrupt comes when a byte has left: the first one needs a push.
        NVIC::pend(Line::UartTransmit);
        count
    }
}

/// To be called when a byte has come in.
pub fn received() {
    INTCLEAR.write(INT_RECEIVE);
    while STATE.read() & STATE_RECEIVED != 0 {
        let byte = (DATA.read() & 0xFF) as u8;
        // Full: the frame it belongs to fails its CRC, and the other side asks again.
        RECEIVING.with(|queue| queue.enqueue(byte).unwrap_or(()));
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
