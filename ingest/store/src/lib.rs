//! What a site keeps: the register of loops, the landing zone of fresh readings, the Parquet history by day and the
//! manifest that says which files count.
//!
//! One process holds a [`Store`] (exclusive lock); any number of [`StoreReader`]s take immutable [`Snapshot`]s beside it.
//! The layout on disk is in `FORMAT.md`.

mod amend;
mod baseline;
mod batch;
mod chunk;
mod chunkread;
mod columnread;
mod compact;
mod dayfile;
mod daypart;
mod dayread;
mod error;
mod export;
pub mod files;
mod import;
mod import_csv;
mod import_parquet;
mod import_sink;
mod journal;
mod landed;
mod landing;
mod layout;
mod lock;
mod pagevalues;
mod register;
mod register_csv;
mod register_history;
mod retain;
mod rollups;
mod run;
mod seal;
mod snapshot;
mod staged;
mod state;
mod store;
mod work;

pub use amend::{AmendedLoop, Author, ChangeRecord, LoopAmendment};
pub use baseline::{Baseline, EndOfBaseline, NewBaseline, Replacement};
pub use compact::CompactReport;
pub use daypart::DayParts;
pub use error::StoreError;
pub use export::{ExportOptions, ExportProgress, ExportReport};
pub use import::{ImportOptions, ImportProgress, ImportReport};
pub use import_sink::LEAST_IMPORT_MEMORY;
pub use journal::JournalEntry;
pub use landing::Landing;
pub use register::{ChangedCell, ChangedLoop, Register, RegisterDiff};
pub use retain::DropReport;
pub use rollups::{RollupFile, RollupWriter, Rollups, Spill};
pub use seal::SealReport;
pub use snapshot::{DayRef, Snapshot, StoreReader};
pub use store::Store;
pub use work::WorkWindow;
