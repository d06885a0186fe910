//! Rows of a lazy query batch by batch: for who must not hold all of them at once.

use std::sync::{Mutex, mpsc};
use std::thread;

use polars::prelude::{DataFrame, Engine, LazyFrame, PlanCallback, PolarsError};

/// Gives the rows batch by batch, in order; stops when `each` fails, and says with what.
///
/// # Errors
/// The rows cannot be read or computed, as `failed` makes an error of it; or what `each` said.
pub fn in_batches<E>(
    frame: LazyFrame,
    failed: impl FnOnce(PolarsError) -> E,
    mut each: impl FnMut(DataFrame) -> Result<(), E>,
) -> Result<(), E> {
    let (sender, batches) = mpsc::sync_channel(1);
    let sender = Mutex::new(sender);
    let hand_over = PlanCallback::new(move |batch: DataFrame| {
        // True stops it: nobody takes more.
        Ok(sender.lock().map_or(true, |sender| sender.send(batch).is_err()))
    });
    let frame = match frame.sink_batches(hand_over, true, None) {
        Ok(frame) => frame,
        Err(error) => return Err(failed(error)),
    };
    thread::scope(|scope| {
        let computing = scope.spawn(move || frame.collect_with_engine(Engine::Streaming).map(drop));
        for batch in batches {
            each(batch)?;
        }
        match computing.join() {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(failed(error)),
            Err(panic) => std::panic::resume_unwind(panic),
        }
    })
}
