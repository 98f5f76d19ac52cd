//! The stored form of a conformed take.
