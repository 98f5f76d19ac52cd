//! Whole journeys, reference checks, faults, browser, tidiness and benches.
//!
//! The library is what several tests use; the tests themselves are in `tests/tests`.

#![allow(clippy::expect_used, reason = "a test that cannot go on says so")]

pub mod service;
