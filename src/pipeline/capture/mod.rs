//! Capture: devices → a run folder with recordings, points and events.
//!
//! In: a [`CaptureRequest`], and the [`Surroundings`] with clock, disk and
//! devices. Out: the run folder, and how the session ended. The plan is handed
//! in as data, and so is who hears of it. Touches the run folder, threads, and
//! what it is handed.

pub mod announced;
mod coverage;
mod device;
mod links;
mod session;
mod space;
mod surroundings;
mod watch;

pub use coverage::{Coverage, HarmonicState};
pub use device::SerialDevices;
pub use session::{CaptureError, CaptureRequest, Captured, capture, fits_capture};
pub use surroundings::{
    Clock, Device, Devices, DiskSpace, Listener, Nobody, Surroundings, SystemClock, SystemDisk,
};
