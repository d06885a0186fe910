//! `wyelog --version`: the three versions that have to fit together.

use std::sync::LazyLock;

use wyelog_protocol::SCHEMA;

/// A line each: the tool, the firmware that it carries and drives its scenarios through, the schema that it speaks.
static LONG: LazyLock<String> = LazyLock::new(|| {
    format!("{}\nfirmware {}\nschema {SCHEMA:016x}", wyelog::VERSION, wyelog_firmware::VERSION)
});

/// What `--version` prints behind the program's name; `-V` prints the first version alone.
pub fn long() -> &'static str {
    LONG.as_str()
}
