//! A measured value with its uncertainty, and how both stand in a file.
//!
//! In a file a measured value is two keys beside each other, the value and, with
//! `_u` before the unit part, its uncertainty: `power_total_w`,
//! `power_total_u_w`. In the program it is one [`Measured`]. The macro `record!`
//! declares a structure of such fields and writes and reads it with two keys
//! for each.

use std::collections::BTreeMap;

use super::gauge::Gauge;

/// Coverage factor of every uncertainty that leaves the program.
pub const COVERAGE: f64 = 2.0;

/// A value and its expanded uncertainty, k = 2 (JCGM 100, 6.2), both in the
/// unit that the name of the field ends with.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// Its expanded uncertainty, k = 2. Infinite where none is stated: then
    /// nothing is known of the error, a guard band decides nothing, and the
    /// file has `null`.
    pub u: f64,
}

impl Measured {
    /// A value with its expanded uncertainty, k = 2.
    pub const fn new(value: f64, u: f64) -> Self {
        Self { value, u }
    }

    /// A value of which no uncertainty is stated.
    pub const fn without_u(value: f64) -> Self {
        Self::new(value, f64::INFINITY)
    }

    /// A value with its standard uncertainty, k = 1.
    pub fn with_standard_u(value: f64, standard_u: f64) -> Self {
        Self::new(value, COVERAGE * standard_u)
    }

    /// The expanded uncertainty, k = 2, where one is stated.
    pub fn stated_u(self) -> Option<f64> {
        self.u.is_finite().then_some(self.u)
    }

    /// Whether an uncertainty is stated.
    pub fn has_u(&self) -> bool {
        self.u.is_finite()
    }

    /// The standard uncertainty, k = 1.
    pub fn standard_u(self) -> f64 {
        self.u / COVERAGE
    }

    /// The same in another unit, or `factor` times as much.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        Self::new(factor * self.value, (factor * self.u).abs())
    }
}

/// A field that stands in a file as two keys: the value and its uncertainty.
pub(crate) trait TwoKeys {
    /// What the first key holds.
    type Value;
    /// What the second one holds.
    type Uncertainty;

    /// What the file gets.
    fn to_keys(&self) -> (Self::Value, Self::Uncertainty);

    /// What the file has.
    fn from_keys(value: Self::Value, u: Self::Uncertainty) -> Self;
}

impl TwoKeys for Measured {
    type Value = f64;
    type Uncertainty = Option<f64>;

    fn to_keys(&self) -> (f64, Option<f64>) {
        (self.value, self.stated_u())
    }

    fn from_keys(value: f64, u: Option<f64>) -> Self {
        Self::new(value, u.unwrap_or(f64::INFINITY))
    }
}

impl TwoKeys for Option<Measured> {
    type Value = Option<f64>;
    type Uncertainty = Option<f64>;

    fn to_keys(&self) -> (Option<f64>, Option<f64>) {
        (self.map(|m| m.value), self.and_then(Measured::stated_u))
    }

    fn from_keys(value: Option<f64>, u: Option<f64>) -> Self {
        value.map(|value| Measured::from_keys(value, u))
    }
}

impl TwoKeys for BTreeMap<Gauge, Measured> {
    type Value = BTreeMap<Gauge, f64>;
    type Uncertainty = BTreeMap<Gauge, f64>;

    fn to_keys(&self) -> (Self::Value, Self::Uncertainty) {
        let values = self.iter().map(|(gauge, m)| (gauge.clone(), m.value));
        let stated = self
            .iter()
            .filter_map(|(gauge, m)| Some((gauge.clone(), m.stated_u()?)));
        (values.collect(), stated.collect())
    }

    fn from_keys(values: Self::Value, u: Self::Uncertainty) -> Self {
        values
            .into_iter()
            .map(|(gauge, value)| {
                let u = u.get(&gauge).copied();
                (gauge, Measured::from_keys(value, u))
            })
            .collect()
    }
}

/// Declares a structure that is written and read key by key, in the order of
/// its fields. A field of one key is declared as usual, one of two keys
/// ([`TwoKeys`]) by both: `power_w / power_u_w: Measured`. The keys of a field
/// marked `@flatten` stand among those of the whole; one marked `@default` is
/// younger than the files that may be read.
macro_rules! record {
    (
        $(#[$outer:meta])*
        $vis:vis struct $name:ident {
            $(
                $(#[$attribute:meta])*
                $key:ident $(/ $u_key:ident)? $(@ $marker:ident)? : $type:ty
            ),* $(,)?
        }
    ) => {
        $(#[$outer])*
        $vis struct $name {
            $( $(#[$attribute])* pub $key: $type, )*
        }

        const _: () = {
            use $crate::reduction::measured::TwoKeys;

            #[derive(serde::Serialize, serde::Deserialize)]
            struct Keys {
                $(
                    $( #[serde($marker)] )?
                    $key: $crate::reduction::measured::record!(@value $type $(, $u_key)?),
                    $( $u_key: $crate::reduction::measured::record!(@uncertainty $type, $u_key), )?
                )*
            }

            impl serde::Serialize for $name {
                fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                    let keys = Keys {
                        $(
                            $key: $crate::reduction::measured::record!(@to_key &self.$key $(, $u_key)?),
                            $( $u_key: $crate::reduction::measured::record!(@to_u_key &self.$key, $u_key), )?
                        )*
                    };
                    serde::Serialize::serialize(&keys, serializer)
                }
            }

            impl<'de> serde::Deserialize<'de> for $name {
                fn deserialize<D: serde::Deserializer<'de>>(
                    deserializer: D,
                ) -> Result<Self, D::Error> {
                    let keys = <Keys as serde::Deserialize>::deserialize(deserializer)?;
                    Ok(Self {
                        $( $key: $crate::reduction::measured::record!(@from_keys keys.$key $(, keys.$u_key)?), )*
                    })
                }
            }
        };
    };

    (@value $type:ty) => { $type };
    (@value $type:ty, $u_key:ident) => { <$type as TwoKeys>::Value };
    (@uncertainty $type:ty, $u_key:ident) => { <$type as TwoKeys>::Uncertainty };
    (@to_key $field:expr) => { Clone::clone($field) };
    (@to_key $field:expr, $u_key:ident) => { TwoKeys::to_keys($field).0 };
    (@to_u_key $field:expr, $u_key:ident) => { TwoKeys::to_keys($field).1 };
    (@from_keys $value:expr) => { $value };
    (@from_keys $value:expr, $u:expr) => { TwoKeys::from_keys($value, $u) };
}

pub(crate) use record;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::StrainLocation;

    record! {
        /// As a point has them.
        #[derive(Debug, Clone, PartialEq)]
        pub(crate) struct Reading {
            /// One key.
            point: u64,
            /// Two keys.
            power_w / power_u_w: Option<Measured>,
            /// Two keys with a value a gauge.
            strain_pp_um_m / strain_pp_u_um_m: BTreeMap<Gauge, Measured>,
            /// Two keys, always there.
            level_exponent / level_exponent_u: Measured
        }
    }

    const TEXT: &str = concat!(
        r#"{"point":3,"power_w":0.5,"power_u_w":0.02,"#,
        r#""strain_pp_um_m":{"damper":40.0,"end: left":20.0},"#,
        r#""strain_pp_u_um_m":{"damper":0.8,"end: left":0.4},"#,
        r#""level_exponent":2.0,"level_exponent_u":0.5}"#
    );

    #[test]
    fn a_measured_value_stands_as_two_keys_beside_each_other() {
        let left = Gauge {
            location: StrainLocation::End,
            channel: Some("left".to_owned()),
        };
        let reading = Reading {
            point: 3,
            power_w: Some(Measured::new(0.5, 0.02)),
            strain_pp_um_m: [
                (
                    Gauge::only_at(StrainLocation::Damper),
                    Measured::new(40.0, 0.8),
                ),
                (left, Measured::new(20.0, 0.4)),
            ]
            .into(),
            level_exponent: Measured::new(2.0, 0.5),
        };
        assert_eq!(serde_json::to_string(&reading).unwrap(), TEXT);
        assert_eq!(serde_json::from_str::<Reading>(TEXT).unwrap(), reading);
    }

    #[test]
    fn a_value_without_uncertainty_keeps_its_value() {
        // What a hand or another program wrote: no uncertainty, or none stated.
        let text = r#"{"point":3,"power_w":0.5,"strain_pp_um_m":{"end":20.0},
            "strain_pp_u_um_m":{},"level_exponent":2.0,"level_exponent_u":null}"#;
        let reading: Reading = serde_json::from_str(text).unwrap();
        assert_eq!(reading.power_w, Some(Measured::without_u(0.5)));
        assert_eq!(reading.power_w.unwrap().stated_u(), None);
        assert_eq!(reading.level_exponent.stated_u(), None);
        let again = serde_json::to_string(&reading).unwrap();
        assert!(
            again.contains(r#""power_w":0.5,"power_u_w":null"#),
            "{again}"
        );
        assert!(again.contains(r#""strain_pp_u_um_m":{}"#), "{again}");
    }

    #[test]
    fn what_is_absent_is_null_and_what_is_missing_is_told() {
        let text = r#"{"point":3,"power_w":null,"power_u_w":null,"strain_pp_um_m":{},
            "strain_pp_u_um_m":{},"level_exponent":2.0}"#;
        let reading: Reading = serde_json::from_str(text).unwrap();
        assert_eq!(reading.power_w, None);
        let error = serde_json::from_str::<Reading>(r#"{"point":3}"#).unwrap_err();
        assert!(error.to_string().contains("strain_pp_um_m"), "{error}");
    }
}
