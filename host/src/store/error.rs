//! What can go wrong with a store.

use std::io;
use std::path::PathBuf;

use thiserror::Error;

/// A store that cannot be used.
#[derive(Debug, Error)]
pub enum StoreError {
    /// There is no store.
    #[error("{}: there is no store here ({source}); make one with `wyelog ingest LOG --store {}`", path.display(), path.display())]
    NoStore {
        /// The folder.
        path: PathBuf,
        /// What the system answered.
        source: io::Error,
    },
    /// The folder holds something else.
    #[error("{}: the folder is not empty and holds no store; name a new folder", path.display())]
    NotEmpty {
        /// The folder.
        path: PathBuf,
    },
    /// A newer program made it, or it is damaged.
    #[error(
        "{}: {}, and this wyelog reads formats 1 to {newest}; update wyelog, or name another folder",
        path.display(),
        found.map_or_else(|| "no `format = NUMBER` in it".to_owned(), |found| format!("format {found}"))
    )]
    Format {
        /// The file.
        path: PathBuf,
        /// The format it says.
        found: Option<i64>,
        /// The newest that this program knows.
        newest: i64,
    },
    /// A file of the store cannot be read.
    #[error("{}: {source}; check the rights of the file", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system answered.
        source: io::Error,
    },
    /// A file of the store cannot be written.
    #[error("{}: {source}; make room or check the rights, then ingest again: the store is as it was", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system answered.
        source: io::Error,
    },
    /// Something else has the name of what was made of the store.
    #[error("{}: the file is there and is no such page of wyelog; name another, or replace it with --force", path.display())]
    NotOurs {
        /// The file.
        path: PathBuf,
    },
    /// What was made of the store cannot be written.
    #[error("{}: {source}; name another file, make room or check the rights", path.display())]
    WriteOut {
        /// The file.
        path: PathBuf,
        /// What the system answered.
        source: io::Error,
    },
    /// Another program writes to it.
    #[error("{}: another wyelog is writing to this store; wait until it is done", path.display())]
    Busy {
        /// The folder.
        path: PathBuf,
    },
    /// A file that people edit makes no sense.
    #[error("{}: {reason}", path.display())]
    Edited {
        /// The file.
        path: PathBuf,
        /// Line and reason.
        reason: String,
    },
    /// A file of a log that is in has been taken away.
    #[error("{}: the file is gone; put it back, or make a new store of the logs in raw/: wyelog ingest raw --store NEW", path.display())]
    Gone {
        /// The file.
        path: PathBuf,
    },
    /// Files put together hold other rows than before: they were not put in the place of those.
    #[error(
        "{}: {found} of {expected} rows came together; nothing was changed: make a new store of the logs in raw/, and report this",
        path.display()
    )]
    Rows {
        /// The folder.
        path: PathBuf,
        /// Rows before.
        expected: usize,
        /// Rows behind.
        found: usize,
    },
    /// The table engine refuses.
    #[error("the tables cannot be read or computed: {0}; look at the file it names, if it names one")]
    Tables(#[from] polars::prelude::PolarsError),
}
