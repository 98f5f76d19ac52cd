//! `ripieno pack`.
use super::Failure;
use clap::Args;
/// Flags.
#[derive(Args, Debug)]
pub struct PackArgs {}
/// Runs.
///
/// # Errors
/// T.
pub fn run(_args: &PackArgs) -> Result<(), Failure> {
    Ok(())
}
