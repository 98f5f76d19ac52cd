//! Gains, pans and curves over beds.
