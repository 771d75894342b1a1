//! What is asked for a first setup file, in order.

/// A question and what it fills in.
#[derive(Debug)]
pub struct Question {
    /// Its name, as other questions refer to it.
    pub name: &'static str,
    /// The question.
    pub ask: &'static str,
    /// What may be left empty.
    pub answer: Answer,
    /// The unit of a number; empty for a text or a word.
    pub unit: &'static str,
    /// The words that can be answered; empty for a text or a number.
    pub words: &'static [&'static str],
    /// The keys that it fills in, as the parser names them in its faults.
    pub(super) keys: &'static [&'static str],
    /// A value that a bench may have, for what has not been asked yet.
    pub(super) typical: &'static str,
    /// Asked only where that other question has this answer, or any.
    pub(super) only_if: Option<(&'static str, Option<&'static str>)>,
}

/// What an empty answer means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// There has to be one.
    Needed,
    /// There is none.
    Optional,
    /// This one.
    Proposed(&'static str),
}

impl Question {
    /// The answer as it goes into the file: a number, a word of the list, or any
    /// text.
    pub(super) fn read(&self, answer: &str) -> Result<String, String> {
        if !self.words.is_empty() {
            let list = self.words.join(", ");
            return self
                .words
                .iter()
                .find(|word| **word == answer)
                .map(|word| (*word).to_owned())
                .ok_or_else(|| format!("\"{answer}\" is none of them; one of {list} is right"));
        }
        if self.unit.is_empty() {
            return Ok(answer.to_owned());
        }
        let number = |text: &str| text.parse::<f64>().ok().filter(|n| n.is_finite());
        // Written anew: ".5" is a number, and none in TOML.
        if let Some(number) = number(answer) {
            return Ok(number.to_string());
        }
        let with_point = answer.replacen(',', ".", 1);
        Err(match number(&with_point) {
            Some(_) => format!("the decimal sign is a point: write {with_point}"),
            None => format!(
                "\"{answer}\" is no number; a plain number in {} is right",
                self.unit
            ),
        })
    }
}

const fn text(name: &'static str, ask: &'static str, keys: &'static [&'static str]) -> Question {
    Question {
        name,
        ask,
        answer: Answer::Needed,
        unit: "",
        words: &[],
        keys,
        typical: "",
        only_if: None,
    }
}

const fn number(
    name: &'static str,
    ask: &'static str,
    unit: &'static str,
    keys: &'static [&'static str],
) -> Question {
    Question {
        unit,
        ..text(name, ask, keys)
    }
}

impl Question {
    const fn typical(self, typical: &'static str) -> Self {
        Self { typical, ..self }
    }

    const fn optional(self) -> Self {
        Self {
            answer: Answer::Optional,
            ..self
        }
    }

    const fn proposed(self, proposed: &'static str) -> Self {
        Self {
            answer: Answer::Proposed(proposed),
            typical: proposed,
            ..self
        }
    }

    const fn of(self, words: &'static [&'static str]) -> Self {
        Self { words, ..self }
    }

    const fn only_if(self, question: &'static str, answer: Option<&'static str>) -> Self {
        Self {
            only_if: Some((question, answer)),
            ..self
        }
    }
}

const YES_NO: &[&str] = &["no", "yes"];

/// In the order in which they are asked. What decides whether another is asked
/// comes before it.
pub(super) static QUESTIONS: [Question; 24] = [
    text("title", "Title of the run, on every report", &["test.title"]).typical("Trial"),
    text(
        "damper",
        "The damper; empty for a bare-span run",
        &["test.damper"],
    )
    .typical("D 1")
    .optional(),
    text(
        "designation",
        "Trade designation of the conductor",
        &["conductor.designation"],
    )
    .typical("conductor"),
    number(
        "diameter",
        "Its outer diameter",
        "mm",
        &["conductor.diameter_mm"],
    )
    .typical("21.8"),
    number(
        "mass",
        "Its mass per length",
        "kg/m",
        &["conductor.mass_kg_per_m"],
    )
    .typical("0.98"),
    number(
        "rated strength",
        "Its rated strength; empty if not known",
        "kN",
        &["conductor.rated_strength_kn"],
    )
    .typical("86.7")
    .optional(),
    number(
        "stiffness",
        "Its bending stiffness EI, for the corrected power; empty if not known",
        "N m²",
        &["conductor.bending_stiffness_n_m2"],
    )
    .typical("180")
    .optional(),
    number(
        "length",
        "Free length of the span between its clamps",
        "m",
        &["span.length_m"],
    )
    .typical("36"),
    number("tension", "Tension", "kN", &["span.tension_kn"]).typical("18"),
    number(
        "damper position",
        "Distance of the damper's clamp from the span's clamp at its end",
        "m",
        &["span.damper_position_m"],
    )
    .typical("0.95")
    .only_if("damper", None),
    number(
        "drive position",
        "Distance of the shaker from the clamp at its end; empty if not known",
        "m",
        &["span.drive_position_m"],
    )
    .typical("1.3")
    .optional(),
    number(
        "node",
        "Which node is read, counted from the damper (bare span: from the damper's end), 1 the nearest; empty if that changes",
        "nodes",
        &["span.node_from_damper"],
    )
    .typical("1")
    .optional(),
    number(
        "level",
        "Antinode velocity at which points are to be taken, peak; empty for any",
        "mm/s",
        &["amplitude.value"],
    )
    .typical("200")
    .optional(),
    text(
        "source",
        "Samples from recordings (wav) or from a device on a serial line (serial)",
        &["source[bench].kind"],
    )
    .of(&["wav", "serial"])
    .proposed("wav"),
    text("port", "The device's port", &["source[bench].port"])
        .proposed("/dev/ttyUSB0")
        .only_if("source", Some("serial")),
    number("baud", "Its line speed", "baud", &["source[bench].baud"])
        .proposed("921600")
        .only_if("source", Some("serial")),
    text(
        "unit",
        "Unit of the accelerometer channels",
        &["channel[antinode].unit", "channel[node].unit"],
    )
    .of(&["m/s2", "g", "mm/s", "m/s", "mm", "um"])
    .proposed("m/s2"),
    number(
        "full scale",
        "Value of digital full scale of these channels, peak, in that unit",
        "that unit",
        &["channel[antinode].full_scale", "channel[node].full_scale"],
    )
    .typical("490.3325"),
    number(
        "uncertainty",
        "Uncertainty of their calibration (k = 2), from the certificates; empty if not known, and results are then marked incomplete",
        "%",
        &["channel[antinode].uncertainty_pct"],
    )
    .typical("1")
    .optional(),
    text(
        "force",
        "Is there a force cell at the shaker, with an accelerometer beside it",
        &[],
    )
    .of(YES_NO)
    .proposed("no"),
    number(
        "force full scale",
        "Force at digital full scale, peak",
        "N",
        &["channel[force].full_scale"],
    )
    .typical("500")
    .only_if("force", Some("yes")),
    text(
        "gauges",
        "Strain gauges at which clamps: none, damper, end (behind the damper) or both",
        &[],
    )
    .of(&["none", "damper", "end", "both"])
    .proposed("none"),
    number(
        "strain at the damper",
        "Strain beside the damper's clamp at digital full scale, peak",
        "um/m",
        &["channel[strain-damper].full_scale"],
    )
    .typical("1000")
    .only_if("gauges", Some("damper")),
    number(
        "strain at the end",
        "Strain at the end clamp at digital full scale, peak",
        "um/m",
        &["channel[strain-end].full_scale"],
    )
    .typical("1000")
    .only_if("gauges", Some("end")),
];
