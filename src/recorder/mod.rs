//! Messages → crash-safe recordings of what came in.
