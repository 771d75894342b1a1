//! What is wired to what: `[[source]]` and `[[channel]]`.

use super::bench::inside_span;
use super::field::Field;
use super::limits::Limits;
use super::table::Need::{Optional, Required};
use super::table::Table;
use crate::setup::model::{Channel, Reference, Source, SourceKind};
use crate::setup::role::{Role, RoleKind, StrainLocation};
use crate::setup::words::{Protocol, Unit};
use serde::Deserialize;

/// The word at `kind`; what belongs to it stands in keys of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(in crate::setup) enum KindWord {
    Serial,
    Wav,
}

pub(in crate::setup) struct RawSource {
    pub(in crate::setup) name: Field<String>,
    pub(in crate::setup) kind: Field<KindWord>,
    pub(in crate::setup) port: Field<String>,
    pub(in crate::setup) baud: Field<u32>,
    pub(in crate::setup) protocol: Field<Protocol>,
    pub(in crate::setup) rate_hz: Field<f64>,
    pub(in crate::setup) rate_uncertainty_ppm: Field<f64>,
}

impl RawSource {
    pub(super) const KEYS: &[&str] = &[
        "name",
        "kind",
        "port",
        "baud",
        "protocol",
        "rate_hz",
        "rate_uncertainty_ppm",
    ];

    pub(super) fn read(table: &mut Table<'_>) -> Self {
        let kind: Field<KindWord> = table.word("kind", Required);
        let for_serial = match kind.value() {
            Some(KindWord::Serial) => Required,
            _ => Optional,
        };
        Self {
            name: table.text("name", Required, "a name of its own"),
            port: table.text("port", for_serial, "a device such as \"/dev/ttyUSB0\""),
            baud: table.whole("baud", for_serial, (300, 50_000_000), "a baud rate"),
            protocol: table.word("protocol", Optional),
            rate_hz: table.number(
                "rate_hz",
                Optional,
                &Limits::above_zero("a sampling rate", "Hz"),
            ),
            rate_uncertainty_ppm: table.number(
                "rate_uncertainty_ppm",
                Optional,
                &Limits::not_negative("an uncertainty (k = 2)", "ppm").up_to(1e5, "100000 ppm"),
            ),
            kind,
        }
    }

    pub(super) fn build(self) -> Option<Source> {
        let kind = match self.kind.required()? {
            KindWord::Wav => SourceKind::Wav,
            KindWord::Serial => SourceKind::Serial {
                port: self.port.required()?,
                baud: self.baud.required()?,
                protocol: self.protocol.or(Protocol::default())?,
            },
        };
        Some(Source {
            name: self.name.required()?,
            kind,
            rate_hz: self.rate_hz.optional()?,
            rate_uncertainty_ppm: self
                .rate_uncertainty_ppm
                .or(Source::DEFAULT_RATE_UNCERTAINTY_PPM)?,
        })
    }
}

pub(in crate::setup) struct RawChannel {
    pub(in crate::setup) name: Field<String>,
    pub(in crate::setup) role: Field<RoleKind>,
    pub(in crate::setup) source: Field<String>,
    pub(in crate::setup) index: Field<u32>,
    pub(in crate::setup) unit: Field<Unit>,
    pub(in crate::setup) full_scale: Field<f64>,
    pub(in crate::setup) uncertainty_pct: Field<f64>,
    pub(in crate::setup) phase_uncertainty_deg: Field<f64>,
    pub(in crate::setup) reference: Field<String>,
    pub(in crate::setup) reference_uncertainty_pct: Field<f64>,
    pub(in crate::setup) position_m: Field<f64>,
    pub(in crate::setup) location: Field<StrainLocation>,
    /// The header of the channel.
    pub(in crate::setup) offset: usize,
}

impl RawChannel {
    pub(super) const KEYS: &[&str] = &[
        "name",
        "role",
        "source",
        "index",
        "unit",
        "full_scale",
        "uncertainty_pct",
        "phase_uncertainty_deg",
        "reference",
        "reference_uncertainty_pct",
        "position_m",
        "location",
    ];

    pub(super) fn read(table: &mut Table<'_>, length_m: &Field<f64>) -> Self {
        let share = Limits::percentage("an uncertainty (k = 2)");
        let phase = Limits::not_negative("an uncertainty (k = 2)", "deg").and_below(45.0, "45 deg");
        let place = inside_span("a distance from the drive-end clamp", length_m);
        let role: Field<RoleKind> = table.word("role", Required);
        let needs = role.value().and_then(|kind| kind.row().needs);
        let need = |key| {
            if needs == Some(key) {
                Required
            } else {
                Optional
            }
        };
        Self {
            name: table.text("name", Required, "a name of its own"),
            source: table.text("source", Required, "the name of a [[source]]"),
            index: table.whole("index", Required, (0, 65_535), "a column of the source"),
            unit: table.word("unit", Required),
            full_scale: table.number(
                "full_scale",
                Required,
                &Limits::above_zero("a full scale", ""),
            ),
            uncertainty_pct: table.number("uncertainty_pct", Optional, &share),
            phase_uncertainty_deg: table.number("phase_uncertainty_deg", Optional, &phase),
            reference: table.text("reference", Optional, "the name of the reference"),
            reference_uncertainty_pct: table.number("reference_uncertainty_pct", Optional, &share),
            position_m: table.number("position_m", need("position_m"), &place),
            location: table.word("location", need("location")),
            offset: table.offset(),
            role,
        }
    }

    /// `source_names` are the names of the sources in their order.
    pub(super) fn build(self, source_names: &[String]) -> Option<Channel> {
        let source = self.source.required()?;
        Some(Channel {
            name: self.name.required()?,
            role: Role::of(self.role.required()?, self.location.optional()?)?,
            source: source_names.iter().position(|name| *name == source)?,
            index: usize::try_from(self.index.required()?).ok()?,
            unit: self.unit.required()?,
            full_scale: self.full_scale.required()?,
            uncertainty_pct: self.uncertainty_pct.optional()?,
            phase_uncertainty_deg: self.phase_uncertainty_deg.optional()?,
            reference: match self.reference.optional()? {
                Some(name) => Some(Reference {
                    name,
                    uncertainty_pct: self.reference_uncertainty_pct.required()?,
                }),
                None => None,
            },
            position_m: self.position_m.optional()?,
        })
    }
}
