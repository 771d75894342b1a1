//! A run folder → tables, plots, the report.
