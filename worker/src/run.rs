//! Lease, dispatch, finish.
