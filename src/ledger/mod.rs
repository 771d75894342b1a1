//! Points and events → the run folder; synced before anything is announced.
