//! `ripieno config`: every setting, explained, with the value in force.

use super::{Failure, SettingsArgs, say};

/// Prints a `ripieno.toml` that holds the settings in force.
///
/// # Errors
/// A setting that cannot be used.
pub fn run(settings: &SettingsArgs) -> Result<(), Failure> {
    say(settings.load(&[])?.to_manual().trim_end());
    Ok(())
}
