//! Clears away what nothing refers to.
