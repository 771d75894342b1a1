//! A settled point with what the evaluation adds to it.

use serde::{Deserialize, Serialize};

use super::retained::Retained;
use crate::reduction::fields::ReportTable::Power;
use crate::reduction::fields::{Cell, Shown, point_fields};
use crate::reduction::{Measured, PointRow, SettledPoint};

/// One line of `reduced.jsonl`: the settled point with the bare span's losses
/// and the damper's power filled in, and what only the reduction can say.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ReducedPoint {
    /// The settled point, with `power_bare_w` and `power_damper_w` filled in.
    #[serde(flatten)]
    pub point: SettledPoint,
    /// What the reduction adds.
    #[serde(flatten)]
    pub damper: DamperValues,
    /// What of the bare span's losses is to be taken off.
    #[serde(skip)]
    pub(super) retained: Option<Retained>,
}

point_fields! {
    /// What the reduction adds to the keys of a settled point. Uncertainties
    /// (`_u`) are expanded, k = 2.
    #[derive(Debug, Clone, Default, PartialEq)]
    pub struct DamperValues {
        /// What the corrected damper power takes off: what of the bare span's losses is still lost
        /// beyond the node with the damper on.
        power_taken_off_w / power_taken_off_u_w: Option<Measured> = Shown::in_files("W")
            .report(Power, "Taken off").after("power_damper_w");
        /// Of it, what the conductor loses between the node that was read and the damper.
        power_conductor_w / power_conductor_u_w: Option<Measured> = Shown::in_files("W");
        /// How far the conductor moves between damper and end clamp, over what it does there in the
        /// bare span at the same antinode velocity.
        end_motion_ratio / end_motion_ratio_u: Option<Measured> = Shown::in_files("");
        /// Conductor between the node that was read and the damper.
        node_to_damper_m / node_to_damper_u_m: Option<Measured> = Shown::in_files("m");
        /// What the correction rests on.
        correction_basis: Option<String> = Shown::in_files("");
        /// The ratio as the point alone read it by its fixed sensors; `iswr` is then that of all points
        /// together.
        iswr_alone / iswr_alone_u: Option<Measured> = Shown::in_files("");
        /// The plain difference with bending stiffness in the wave impedance of both powers, beside
        /// the standard's `power_damper_w`; absent where EI is not given.
        power_damper_stiffness_w / power_damper_stiffness_u_w: Option<Measured> = Shown::in_files("W")
            .report(Power, "Damper with stiffness").terminal("with EI").reduced(5)
            .after("power_damper_corrected_w");
        /// Exponent l of P_damper ∝ V^l, where a second level at this harmonic shows it.
        level_exponent / level_exponent_u: Option<Measured> = Shown::in_files("");
        /// `power_damper_w`, the standard's, at the exact level of the setup; only with such an exponent, and only
        /// between the levels read, widened by the setup's tolerance.
        power_damper_at_target_w / power_damper_at_target_u_w: Option<Measured> = Shown::in_files("W")
            .report(Power, "Damper at target level").terminal("at target").reduced(6)
            .after("power_damper_stiffness_w");
    }
}

impl From<SettledPoint> for ReducedPoint {
    /// A point of which nothing has been taken off.
    fn from(point: SettledPoint) -> Self {
        Self {
            point,
            ..Self::default()
        }
    }
}

impl PointRow for ReducedPoint {
    fn cells(&self) -> Vec<Cell<'_>> {
        let mut cells = self.point.cells();
        cells.extend(self.damper.cells());
        cells
    }

    fn settled(&self) -> &SettledPoint {
        &self.point
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::reduction::fields::guide_table;

    const GUIDE: &str = include_str!("../guide/from-points-to-verdict.md");
    const BEGIN: &str =
        "<!-- What follows is written by the program: see src/reduction/fields.rs -->\n\n";
    const END: &str = "\n<!-- End of what is written by the program -->\n";
    /// Set it to have the guide written anew.
    const WRITE: &str = "SPANHOLD_WRITE_GUIDE";

    #[test]
    fn the_guide_has_every_key_of_a_point() {
        let (before, rest) = GUIDE.split_once(BEGIN).expect("the first mark");
        let (written, after) = rest.split_once(END).expect("the second mark");
        let right = guide_table(&[SettledPoint::FIELDS, DamperValues::FIELDS].concat());
        if written == right {
            return;
        }
        if std::env::var_os(WRITE).is_some() {
            let path =
                Path::new(env!("CARGO_MANIFEST_DIR")).join("src/guide/from-points-to-verdict.md");
            std::fs::write(path, format!("{before}{BEGIN}{right}{END}{after}")).unwrap();
            return;
        }
        panic!(
            "src/guide/from-points-to-verdict.md is not what the table of keys says; to write it \
             anew:\n{WRITE}=1 cargo test --lib evaluation::reduced_point"
        );
    }

    #[test]
    fn a_point_has_every_key_of_the_table_in_its_order() {
        let point = ReducedPoint::default();
        let text = serde_json::to_string(&point).unwrap();
        let mut from = 0;
        for cell in point.cells() {
            for key in [Some(cell.field.key), cell.field.u_key]
                .into_iter()
                .flatten()
            {
                let quoted = format!("\"{key}\":");
                let at = text[from..]
                    .find(&quoted)
                    .unwrap_or_else(|| panic!("{key}"));
                from += at + quoted.len();
            }
        }
    }
}
