//! `banks.toml`.

use std::path::Path;

use serde::Deserialize;
use toml::Spanned;

use super::check::{Entry, RawStay};
use super::{Bank, Place};
use crate::store::StoreError;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    bank: Vec<Spanned<Named>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Named {
    name: String,
    feeder: String,
    asset: Option<String>,
    pole: Option<String>,
    position: Option<String>,
    fuse_link: Option<String>,
    #[serde(default)]
    logger: Vec<Spanned<Logger>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Logger {
    device: String,
    from: Option<toml::Value>,
    to: Option<toml::Value>,
}

/// The entries of the file.
pub fn entries(path: &Path, text: &str) -> Result<Vec<Entry>, StoreError> {
    let file: File = toml::from_str(text)
        .map_err(|error| StoreError::Edited { path: path.to_owned(), reason: error.to_string() })?;
    let at = |span: std::ops::Range<usize>| {
        let before = text.as_bytes().iter().take(span.start);
        Place { path: path.to_owned(), line: Some(1 + before.filter(|byte| **byte == b'\n').count()) }
    };
    // A date may stand there as TOML's own or as text.
    let moment = |value: toml::Value| match value {
        toml::Value::String(text) => text,
        other => other.to_string(),
    };
    let entry = |spanned: Spanned<Named>| {
        let place = at(spanned.span());
        let Named { name, feeder, asset, pole, position, fuse_link, logger } = spanned.into_inner();
        let stays = logger.into_iter().map(|spanned| {
            let place = at(spanned.span());
            let Logger { device, from, to } = spanned.into_inner();
            RawStay { place, device, from: from.map(moment), to: to.map(moment) }
        });
        let stays = stays.collect();
        let bank = Bank { name, feeder, asset, pole, position, fuse_link, loggers: Vec::new() };
        Entry { place, bank, stays }
    };
    Ok(file.bank.into_iter().map(entry).collect())
}
