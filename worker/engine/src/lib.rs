//! Samples only: decode, locate, fit, resample, inspect, sum, master and write.
//!
//! No SQL, no HTTP, no async, no bars or beats: music time arrives here already turned into
//! seconds and samples.

pub mod decode;
pub mod mark;
pub mod voice;
pub mod locate;
pub mod onset;
pub mod fit;
pub mod finding;
pub mod resample;
pub mod ease;
pub mod inspect;
pub mod stem;
pub mod plane;
pub mod bed;
pub mod mix;
pub mod tone;
pub mod loudness;
pub mod limit;
pub mod write;
pub mod plot;
mod math;
