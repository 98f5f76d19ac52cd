//! Offset, ratio and lag of a take against the grid, each with its uncertainty.
