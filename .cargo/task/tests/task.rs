//! The build program itself.

use wyelog_task::{Error, Output, Toolchain, image_of, root, target_dir};

#[test]
fn the_root_is_the_workspace() {
    let manifest = std::fs::read_to_string(root().join("Cargo.toml")).unwrap();
    assert!(manifest.starts_with("[workspace]"));
    assert!(target_dir().is_absolute());
}

#[test]
fn an_unknown_board_is_named_beside_the_known_ones() {
    let error = image_of("nowhere", Toolchain::Target, Output::Kept).unwrap_err();
    assert!(matches!(error, Error::Usage(_)));
    let text = error.to_string();
    assert!(text.contains("nowhere") && text.contains("emulated"), "{text}");
}

#[test]
fn what_is_missing_comes_with_its_install_line() {
    // Where no program is found, there is no toolchain either.
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_wyelog-task"))
        .arg("image")
        .env("PATH", "/nowhere")
        .output()
        .unwrap();
    assert!(!output.status.success());
    let text = String::from_utf8(output.stderr).unwrap();
    assert!(text.contains("rustup target add thumbv7em-none-eabihf"), "{text}");
    assert!(text.contains("apt-get install"), "{text}");
}

#[test]
fn an_unknown_word_prints_the_usage_and_fails() {
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_wyelog-task")).arg("fly").output().unwrap();
    assert!(!output.status.success());
    assert!(String::from_utf8(output.stderr).unwrap().contains("usage: cargo task"));
}
