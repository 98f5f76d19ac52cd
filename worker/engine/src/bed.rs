//! Exact running sums of stems.
