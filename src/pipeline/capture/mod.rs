//! Capture: devices → a run folder with recordings, points and events.
//!
//! In: a [`CaptureRequest`], and the [`Surroundings`] with clock, disk and
//! devices. Out: the run folder, and how the session ended. The plan is handed
//! in as data, and so is who hears of it. Touches the run folder, threads, and
//! what it is handed.

pub mod announced;
mod closing;
mod coverage;
mod device;
mod links;
mod session;
mod space;
mod stepped;
mod surroundings;
mod watch;

pub use closing::{CaptureError, Captured};
pub use coverage::{Coverage, HarmonicState};
pub use device::SerialDevices;
pub use links::LinkHealth;
pub use session::{CaptureRequest, capture, fits_capture};
pub use stepped::Stepped;
pub use surroundings::{
    CaptureMoment, Device, Devices, DiskSpace, Listener, Nobody, Surroundings, SystemDisk,
};
