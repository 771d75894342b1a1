//! The local live page.
