//! synth
