//! One streaming reader for every container, under limits.
