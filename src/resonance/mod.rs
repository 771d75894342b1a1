//! Tone frames → is the resonance held? The tracker and its reasons. Pure.
