//! A virtual span that produces recordings or a serial stream, and the truth.
