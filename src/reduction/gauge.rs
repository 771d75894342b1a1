//! A strain gauge, as the results name it.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::setup::StrainLocation;

/// A strain gauge: the clamp it sits at and, where a clamp has several, the
/// channel it is read by. Files have it as one key: `end`, or `end: gauge 2`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Gauge {
    /// The clamp.
    pub location: StrainLocation,
    /// Name of the channel; `None` for the only gauge at its clamp.
    pub channel: Option<String>,
}

/// A key that names no gauge.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{0}\" names no strain gauge; its clamp is right, \"damper\" or \"end\", followed by \": \" \
     and the channel's name where the clamp has several"
)]
pub struct NoGauge(String);

impl Gauge {
    /// The only gauge at a clamp.
    pub fn only_at(location: StrainLocation) -> Self {
        Self {
            location,
            channel: None,
        }
    }

    /// One of several gauges at a clamp.
    pub fn one_at(location: StrainLocation, channel: &str) -> Self {
        Self {
            location,
            channel: Some(channel.to_owned()),
        }
    }
}

impl fmt::Display for Gauge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.location.name())?;
        match &self.channel {
            Some(channel) => write!(f, ": {channel}"),
            None => Ok(()),
        }
    }
}

impl FromStr for Gauge {
    type Err = NoGauge;

    fn from_str(key: &str) -> Result<Self, NoGauge> {
        let (place, channel) = match key.split_once(": ") {
            Some((place, channel)) => (place, Some(channel)),
            None => (key, None),
        };
        let location = [StrainLocation::Damper, StrainLocation::End]
            .into_iter()
            .find(|location| location.name() == place)
            .ok_or_else(|| NoGauge(key.to_owned()))?;
        Ok(Self {
            location,
            channel: channel.map(str::to_owned),
        })
    }
}

impl Serialize for Gauge {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Gauge {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let key = String::deserialize(deserializer)?;
        key.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_comes_back_as_the_gauge_it_was_written_for() {
        for (gauge, key) in [
            (Gauge::only_at(StrainLocation::Damper), "damper"),
            (Gauge::only_at(StrainLocation::End), "end"),
            (Gauge::one_at(StrainLocation::End, "left"), "end: left"),
            (Gauge::one_at(StrainLocation::End, "a: b"), "end: a: b"),
        ] {
            assert_eq!(gauge.to_string(), key);
            assert_eq!(key.parse::<Gauge>().unwrap(), gauge);
        }
        let error = "ende".parse::<Gauge>().unwrap_err().to_string();
        assert!(
            error.contains("\"ende\"") && error.contains("\"end\""),
            "{error}"
        );
    }
}
