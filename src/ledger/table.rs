//! `points.csv`: the settled points as a table for a spreadsheet.

use std::collections::BTreeSet;

use serde::de::{Deserializer, MapAccess, Visitor};
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// All fields of all points, a row a point, the columns in the order of
/// `points.jsonl`. A field that holds one value a strain gauge becomes one
/// column a gauge, `strain_pp_um_m.damper`; reasons are joined by `"; "`;
/// what is absent is empty.
pub fn points_csv<P: Serialize>(points: &[P]) -> Result<Vec<u8>, csv::Error> {
    let rows: Vec<Fields> = points.iter().map(fields).collect::<Result<_, _>>()?;
    // Which gauges occur is known only when all points have been seen.
    let mut gauges: Vec<(String, BTreeSet<String>)> = Vec::new();
    for (name, value) in rows.iter().flat_map(|row| &row.0) {
        if let Value::Object(map) = value {
            match gauges.iter_mut().find(|(known, _)| known == name) {
                Some((_, keys)) => keys.extend(map.keys().cloned()),
                None => gauges.push((name.clone(), map.keys().cloned().collect())),
            }
        }
    }
    let keys_of = |name: &str| {
        gauges
            .iter()
            .find(|(known, _)| known == name)
            .map(|(_, keys)| keys)
    };
    let mut csv = csv::Writer::from_writer(Vec::new());
    if let Some(first) = rows.first() {
        let mut header = Vec::new();
        for (name, _) in &first.0 {
            match keys_of(name) {
                Some(keys) => header.extend(keys.iter().map(|key| format!("{name}.{key}"))),
                None => header.push(name.clone()),
            }
        }
        csv.write_record(&header)?;
    }
    for row in &rows {
        let mut record = Vec::new();
        for (name, value) in &row.0 {
            match (keys_of(name), value) {
                (Some(keys), Value::Object(map)) => {
                    record.extend(
                        keys.iter()
                            .map(|key| map.get(key).map_or_else(String::new, cell)),
                    );
                }
                (_, value) => record.push(cell(value)),
            }
        }
        csv.write_record(&record)?;
    }
    csv.into_inner()
        .map_err(|error| csv::Error::from(error.into_error()))
}

fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        Value::Array(items) => items.iter().map(cell).collect::<Vec<_>>().join("; "),
        other => other.to_string(),
    }
}

fn fields(point: &impl Serialize) -> Result<Fields, csv::Error> {
    serde_json::to_string(point)
        .and_then(|text| serde_json::from_str(&text))
        .map_err(|error| csv::Error::from(std::io::Error::from(error)))
}

/// An object with its fields in the order they were written:
/// `serde_json::Map` sorts them.
struct Fields(Vec<(String, Value)>);

impl<'de> Deserialize<'de> for Fields {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct InOrder;
        impl<'de> Visitor<'de> for InOrder {
            type Value = Fields;
            fn expecting(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
                f.write_str("an object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Fields, A::Error> {
                let mut fields = Vec::new();
                while let Some(field) = map.next_entry()? {
                    fields.push(field);
                }
                Ok(Fields(fields))
            }
        }
        deserializer.deserialize_map(InOrder)
    }
}
