//! The guide left in: how much of the guide track is heard in a stem.
//!
//! Whether it is there at all is told by the cross-correlation of stem and guide, each flattened
//! first in time and frequency, so that neither a loud note nor a long one speaks louder than the
//! moments in which the guide would be heard: the matched filter for noise of a changing colour
//! (H. L. Van Trees, Detection, Estimation, and Modulation Theory, part I, section 4.3; from
//! memory). A player who follows the guide is not in phase with it from note to note, a bleed is.
//!
//! How much there is, is told by least squares: the stem is the guide through an unknown filter
//! plus everything else. The filter that leaves the least behind is, at each frequency,
//! H = S_xg / S_gg (Bendat & Piersol, Random Data, ch. 6, single-input model). It is made of some
//! milliseconds around the delay that was found: a leak is short, chance is spread over all delays.

mod filter;
mod flatten;
mod guide;
mod listen;
mod meter;
mod slope;

pub use guide::{Guide, GuideKeeper};
pub use listen::{Laying, listen};
pub use meter::BleedMeter;

use crate::finding::{Finding, Severity};

/// A bleed as near as this below the playing is heard in a crowd: 100 takes that carry it add up
/// to one full guide (common practice, no source).
const HEARD_DB: f64 = -40.0;

/// From this likeness on the stem holds more of the guide than of anything else: uncorrelated
/// sounds of equal power correlate with their sum by √½.
const IS_THE_GUIDE: f64 = 0.75;

/// How much of the guide is in a stem.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bleed {
    /// Power of the guide in the stem over all of the stem's, in dB, both below 6 kHz.
    pub depth_db: f64,
    /// When the bleed comes after the guide, in milliseconds.
    pub delay_ms: f64,
    /// Correlation of stem and guide, both flattened: near 1 where the stem is the guide.
    pub likeness: f64,
}

/// The finding for a bleed that can be heard.
#[must_use]
pub fn guide_left_in(bleed: &Bleed) -> Option<Finding> {
    if bleed.depth_db < HEARD_DB {
        return None;
    }
    if bleed.likeness >= IS_THE_GUIDE {
        let says = "This is the guide, not your playing: hardly anything else can be heard. Please \
                    look for the file with your own recording in it and send that one.";
        let finding = Finding::new("guide_left_in", Severity::Asks, says);
        return Some(finding.measuring(bleed.depth_db, "dB"));
    }
    let says = format!(
        "The guide can be heard in your recording, {:.0} dB below your playing. Please use closed \
         headphones, turn the guide down a little, or check that you did not export it together \
         with your track.",
        -bleed.depth_db
    );
    let severity = if bleed.depth_db > -20.0 { Severity::Asks } else { Severity::Advice };
    Some(Finding::new("guide_left_in", severity, says).measuring(bleed.depth_db, "dB"))
}

#[cfg(test)]
mod tests;
