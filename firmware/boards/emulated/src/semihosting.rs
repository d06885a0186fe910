//! Files of the host, by semihosting.
//!
//! Operations and their arguments: ARM "Semihosting for AArch32 and AArch64", release 2.0. A call takes the machine no
//! time at all.

use core::arch::asm;

const SYS_OPEN: u32 = 0x01;
const SYS_CLOSE: u32 = 0x02;
const SYS_WRITE0: u32 = 0x04;
const SYS_WRITE: u32 = 0x05;
const SYS_READ: u32 = 0x06;
const SYS_SEEK: u32 = 0x0A;
const SYS_FLEN: u32 = 0x0C;
const SYS_TIME: u32 = 0x11;
const SYS_GET_CMDLINE: u32 = 0x15;
const SYS_EXIT_EXTENDED: u32 = 0x20;

/// Reason code of SYS_EXIT_EXTENDED: ADP_Stopped_ApplicationExit.
const APPLICATION_EXIT: usize = 0x2_0026;

/// How a file is opened: the mode numbers of SYS_OPEN.
#[derive(Clone, Copy)]
#[repr(usize)]
pub enum Mode {
    /// It must exist ("rb").
    Read = 1,
    /// It must exist ("r+b").
    Update = 3,
    /// It is made, or emptied ("w+b").
    Create = 7,
    /// It is made if it does not exist; all is written at its end ("ab").
    Append = 9,
}

/// An open file of the host.
pub struct File(usize);

impl File {
    /// Opens the file of that name, which must end in a zero byte.
    pub fn open(name: &[u8], mode: Mode) -> Option<Self> {
        let length = name.len().checked_sub(1)?;
        let handle = call(SYS_OPEN, &[name.as_ptr().addr(), mode as usize, length]);
        usize::try_from(handle).ok().map(Self)
    }

    /// Reads as much of `buffer` as there is, and returns how much. `None` on an error.
    pub fn read(&self, buffer: &mut [u8]) -> Option<usize> {
        let left = call(SYS_READ, &[self.0, buffer.as_mut_ptr().expose_provenance(), buffer.len()]);
        buffer.len().checked_sub(usize::try_from(left).ok()?)
    }

    /// Writes all of `bytes`. `None` on an error.
    pub fn write(&self, bytes: &[u8]) -> Option<()> {
        let left = call(SYS_WRITE, &[self.0, bytes.as_ptr().expose_provenance(), bytes.len()]);
        (left == 0).then_some(())
    }

    /// Goes to `position`, counted in bytes from the start. `None` on an error.
    pub fn seek(&self, position: u32) -> Option<()> {
        let result = call(SYS_SEEK, &[self.0, usize::try_from(position).ok()?]);
        (result == 0).then_some(())
    }

    /// Closes it, so that the host writes what it still holds.
    pub fn close(self) {
        call(SYS_CLOSE, &[self.0]);
    }

    /// Length in bytes. `None` on an error.
    pub fn length(&self) -> Option<u32> {
        u32::try_from(call(SYS_FLEN, &[self.0])).ok()
    }
}

/// The host's clock: UTC in ms since 1970-01-01, in whole seconds, until 2106.
pub fn time_ms() -> u64 {
    (raw(SYS_TIME, 0).cast_unsigned() as u64).saturating_mul(1000)
}

/// Reads the words after `arg=` into `buffer` and returns them. `None` if they do not fit.
pub fn command_line(buffer: &mut [u8]) -> Option<&[u8]> {
    let mut block = [buffer.as_mut_ptr().expose_provenance(), buffer.len()];
    let result = call_mut(SYS_GET_CMDLINE, &mut block);
    let [_, length] = block;
    (result == 0).then_some(())?;
    buffer.get(..length)
}

/// Says why there is no run, on the emulator's terminal, and ends it with `code`. The text must end in a zero byte.
pub fn refuse(text: &core::ffi::CStr, code: usize) -> ! {
    raw(SYS_WRITE0, text.as_ptr().expose_provenance());
    exit(code)
}

/// Ends the emulator with that exit code.
pub fn exit(code: usize) -> ! {
    loop {
        call(SYS_EXIT_EXTENDED, &[APPLICATION_EXIT, code]);
    }
}

fn call(operation: u32, block: &[usize]) -> isize {
    raw(operation, block.as_ptr().expose_provenance())
}

fn call_mut(operation: u32, block: &mut [usize]) -> isize {
    raw(operation, block.as_mut_ptr().expose_provenance())
}

fn raw(operation: u32, block: usize) -> isize {
    let result: isize;
    // SAFETY: `block` is the argument block of the operation, and what it points to lives for the whole call. The host
    // writes within the lengths given there only.
    #[expect(unsafe_code, reason = "the semihosting call is a breakpoint instruction")]
    unsafe {
        asm!("bkpt #0xAB", inlateout("r0") operation => result, in("r1") block, options(nostack, preserves_flags));
    }
    result
}
