//! The closed list of jobs.
