//! Hands the memory map and the linker scripts to the linker.

use std::path::PathBuf;
use std::{env, fs, io};

fn main() -> io::Result<()> {
    let out = PathBuf::from(env::var_os("OUT_DIR").ok_or(io::ErrorKind::NotFound)?);
    fs::copy("memory.x", out.join("memory.x"))?;
    // The vector table in src/machine.rs names every handler itself: the linker has no defaults to provide.
    fs::write(out.join("device.x"), "")?;
    println!("cargo:rustc-link-search={}", out.display());
    // cortex-m-rt's layout, defmt's strings, and the relocations that tests/budgets.toml counts panics by.
    for argument in ["-Tlink.x", "-Tdefmt.x", "--emit-relocs", "--nmagic"] {
        println!("cargo:rustc-link-arg-bins={argument}");
    }
    // Without it defmt keeps errors only.
    println!("cargo:rustc-env=DEFMT_LOG=info");
    println!("cargo:rerun-if-changed=memory.x");
    println!("cargo:rerun-if-changed=build.rs");
    Ok(())
}
