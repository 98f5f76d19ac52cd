//! The checks on a take, one file each.
