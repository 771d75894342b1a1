//! Longer texts. They are Markdown files in `src/guide`, and stand here so that
//! the crate's documentation has them. The pages on the setup file, the device
//! protocol and the limits of the tone stage stand with their modules:
//! [`crate::setup`], [`crate::ingest::frames`], [`crate::tone`]; the one on the verdict
//! with [`crate::reduction`].

pub mod first_day {
    #![doc = include_str!("first-day.md")]
}

pub mod operation {
    #![doc = include_str!("operation.md")]
}

pub mod complete_setup {
    #![doc = include_str!("complete-setup.md")]
}

pub mod matching {
    #![doc = include_str!("matching.md")]
}

pub mod fixed_sensors {
    #![doc = include_str!("fixed-sensors.md")]
}

pub mod compare {
    #![doc = include_str!("compare.md")]
}

pub mod field {
    #![doc = include_str!("field.md")]
}

pub mod archives {
    #![doc = include_str!("archives.md")]
}

pub mod tolerances {
    #![doc = include_str!("tolerances.md")]
}

pub mod promises {
    #![doc = include_str!("promises.md")]
}
