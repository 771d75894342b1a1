//! The live page: a small server on its own threads, which shows what it is handed.
//!
//! In: the state of a capture, a few times a second. Out: HTTP on one address. Touches
//! sockets, threads, `page.json` in the run folder, which keeps the address over restarts
//! and tells it to `spanhold status`, and the notes of the run, which the page may write.
//!
//! What is shown is the latest value: whoever publishes it swaps a pointer and goes on, and
//! no viewer, however slow, is waited for.

mod access;
mod address;
mod bulletin;
mod notes;
mod reader;
mod request;
mod server;

pub use access::Access;
pub use address::{AddressError, KeptAddress};
pub use bulletin::{Bulletin, Published};
pub use reader::{ReadError, read_state};
pub use request::{Request, Unanswered, read_head};
pub use server::{PageServer, ServerLimits};
