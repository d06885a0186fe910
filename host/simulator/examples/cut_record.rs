//! Cuts a stretch out of a COMTRADE record and writes it as 16-bit BINARY: how the small records that the tests
//! keep were made.
//!
//! ```text
//! cargo run -p wyelog-simulator --example cut_record -- RECORD.cfg FROM_S TO_S OUT.cfg
//! ```

use std::error::Error;
use std::path::Path;

use wyelog_simulator::comtrade::{Encoding, Record};

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [input, from, to, output] = arguments.as_slice() else {
        return Err("usage: cut_record RECORD.cfg FROM_S TO_S OUT.cfg".into());
    };
    let record = Record::read(Path::new(input))?;
    record.cut(from.parse()?, to.parse()?, Encoding::Binary)?.write(Path::new(output))?;
    Ok(())
}
