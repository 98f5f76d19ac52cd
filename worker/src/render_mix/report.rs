//! What a render tells of itself; written as `report.json` too.

use super::RenderKind;
use ripieno_engine::loudness::Loudness;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// The account of one render.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RenderReport {
    /// The piece's title.
    pub title: String,
    /// Preview or final.
    pub kind: RenderKind,
    /// Samples a second.
    pub sample_rate_hz: u32,
    /// Position of the file's first frame on the master grid.
    pub first_sample: i64,
    /// Frames in the mix.
    pub frames: u64,
    /// The mix as delivered.
    pub loudness: Loudness,
    /// Loudness before the master's gain and limiter, LUFS.
    pub unmastered_lufs: Option<f64>,
    /// Gain of the master before its limiter, dB.
    pub master_gain_db: f64,
    /// Most the limiter took away at any moment, dB.
    pub limited_db: f64,
    /// Names of the sections that were asked for, if not the whole piece was.
    #[serde(default)]
    pub only_sections: Vec<String>,
    /// One a section that was rendered.
    pub sections: Vec<SectionReport>,
    /// One a group.
    pub groups: Vec<GroupReport>,
    /// One a stem that was asked for, heard or not.
    pub stems: Vec<StemReport>,
    /// How the beds were come by.
    pub beds: BedCount,
    /// Files written, in the order they were finished, without the papers about them.
    pub files: Vec<OutputFile>,
    /// Anything the organiser should know, in plain sentences.
    pub notes: Vec<String>,
}

impl RenderReport {
    /// How many takes are heard in it.
    #[must_use]
    pub fn takes_heard(&self) -> usize {
        self.heard().len()
    }

    /// The takes heard in it, by id: of some sections alone, those that are heard in one of them.
    #[must_use]
    pub fn heard(&self) -> BTreeSet<&str> {
        if self.only_sections.is_empty() {
            let heard = self.stems.iter().filter(|stem| !stem.mute && stem.group.is_some());
            return heard.map(|stem| stem.take_id.as_str()).collect();
        }
        let takes = self.sections.iter().flat_map(|section| &section.takes);
        takes.map(String::as_str).collect()
    }
}

/// A section in the mix.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SectionReport {
    /// Its name.
    pub name: String,
    /// Its first sample on the master grid.
    pub first_sample: i64,
    /// The sample after its last.
    pub end_sample: i64,
    /// Gated loudness of the section alone, LUFS.
    pub lufs: Option<f64>,
    /// Takes heard in it: their stems sound there and their group is not silent.
    pub takes: Vec<String>,
}

/// A group in the mix.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GroupReport {
    /// Its name.
    pub name: String,
    /// Stems in it that are not muted.
    pub stems: usize,
    /// Loudness its stems add up to where it plays, LUFS.
    pub measured_lufs: Option<f64>,
    /// Gain that brings it to the common level, dB.
    pub level_gain_db: f64,
}

/// A stem in the mix.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StemReport {
    /// Whose.
    pub take_id: String,
    /// The line for the credits, if the contributor agreed to being named.
    pub credit: Option<String>,
    /// The content hash of the stem, hexadecimal.
    pub content_hash: String,
    /// Its group; none if no rule fits, then it is not heard.
    pub group: Option<String>,
    /// Gain to the common active loudness, dB.
    pub trim_db: f64,
    /// Where it stands: −1 left to 1 right.
    pub pan: f64,
    /// Whether an exception or its group leaves it out.
    pub mute: bool,
}

/// How many beds were there, brought up to date, or made anew.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct BedCount {
    /// As wanted already.
    pub fresh: usize,
    /// Brought up to date by their difference.
    pub updated: usize,
    /// Summed from nothing.
    pub anew: usize,
    /// Stems read into beds, each bed counted.
    pub stems_added: usize,
    /// Stems taken out of beds.
    pub stems_removed: usize,
}

/// A file of the render.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutputFile {
    /// Path below the render's folder, with forward slashes.
    pub name: String,
    /// Length.
    pub bytes: u64,
    /// BLAKE3, hexadecimal.
    pub blake3: String,
    /// Media type.
    pub media_type: String,
}
