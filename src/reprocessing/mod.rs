//! Recordings made into run folders: one run, or an archive of many; and a matching of fixed
//! sensors made from recordings with all of them at one place.
//!
//! In: setup files and recordings. Out: run folders, reduced against their bare
//! runs where these are named. Touches recordings and setups to read them, run
//! folders to write them, and threads.
//!
//! A run's files do not depend on how many threads made it, nor on what else is
//! reprocessed beside it.

mod archive;
mod archive_folder;
mod archive_list;
mod assigned;
mod import;
mod matched;
mod run;
mod unchanged;

pub use archive::{ArchiveProgress, ArchivedRun, Completion, archive_csv, reprocess_archive};
pub use archive_folder::ARCHIVE_FILE;
pub use archive_list::{ArchiveEntry, ArchiveList, Baseline, ListFaults};
pub use assigned::{SourceFiles, assign};
pub use import::{ImportRequest, Imported, TableNumbers, import};
pub use matched::{MatchMade, MatchRequest, match_recordings};
pub use run::{ReprocessError, ReprocessRequest, ReprocessWatch, Reprocessed, reprocess};
