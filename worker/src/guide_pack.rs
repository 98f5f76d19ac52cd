//! Writes what a contributor downloads.
