//! A run folder → tables, plots, the audit, the report.
//!
//! In: a [`crate::ledger::Run`] and the recordings it names. Out: text and
//! self-contained HTML. Touches files only to read them.

pub mod audit;
pub mod axis;
pub mod budget_table;
pub mod comparison_page;
pub mod document;
pub mod figure;
pub mod html;
pub mod loaded_run;
pub mod number;
pub mod pictures;
pub mod place_sheet;
pub mod point_table;
pub mod recordings;
pub mod reduction;
pub mod report_file;
pub mod required_curves;
pub mod run_evaluation;
pub mod samples;
pub mod text_table;
