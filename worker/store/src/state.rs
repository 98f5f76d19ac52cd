//! The states of a take.

use crate::text::text_enum;

text_enum! {
    /// Where a take stands.
    TakeState {
        /// It is here and safe.
        Received = "received",
        /// It is being laid on the grid.
        Conforming = "conforming",
        /// It is in the mix.
        Placed = "placed",
        /// Somebody has to answer something first.
        Asks = "asks",
        /// It cannot be used.
        Unusable = "unusable",
        /// Its contributor took it back.
        Withdrawn = "withdrawn",
    }
}
