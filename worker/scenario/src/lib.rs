//! Nine Harbours: an invented piece, its players and their defects, with exact truth.
//!
//! Everything here is a function of time, evaluated at each player's own warped instants, so a
//! take's offset, clock, tempo and looseness are exact without any resampler. No signal code is
//! shared with the engine; the marks and the guide are read from the guide pack like anyone's.
//!
//! [`cast()`] invents the players, [`record()`] writes a player's file and says the truth of it.

pub mod cast;
pub mod container;
pub mod defect;
pub mod instrument;
pub mod pack;
pub mod part;
pub mod record;
mod rng;
pub mod room;
pub mod sheet;

pub use cast::{Player, cast};
pub use defect::Defect;
pub use pack::Pack;
pub use record::{Recorded, Truth, record};
pub use sheet::Sheet;

/// Why a take could not be invented or written.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// The guide pack lacks a file or says something that cannot be read.
    #[error("the guide pack file {file} cannot be used: {why}")]
    Pack {
        /// Which file of the pack.
        file: String,
        /// What is wrong with it.
        why: String,
    },
    /// The take's file could not be written.
    #[error("the take {file} cannot be written: {why}")]
    Write {
        /// Which file.
        file: String,
        /// What the system said.
        why: String,
    },
}
