//! Gentle timing repair, off unless asked for.
