//! Nine Harbours: an invented piece, its players and their defects, with exact truth.
