//! The front door of Ripieno: settings, HTTP interface, pages and the command line.
//!
//! [`serve::run`] is the service as a whole; tests and the demo run it in their own process.

pub mod clock;
pub mod commands;
pub mod config;
pub mod http;
pub mod pages;
pub mod serve;
