//! Physics of the strung conductor: wave speed, harmonics, wind power, the test plan. Pure.
