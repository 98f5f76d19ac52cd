//! How a mark is made.
