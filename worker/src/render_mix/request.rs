//! What a render is asked for.

use super::MixTone;
use ripieno_score::{Arrangement, Piece, TakeFacts, TakeForm, TakeOffset};
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// One stem and what is known of its take.
#[derive(Debug, Clone)]
pub struct StemEntry {
    /// The take's id; pan placement and exceptions hang on it.
    pub take_id: String,
    /// What the arrangement's rules look at.
    pub facts: TakeFacts,
    /// The stem file.
    pub path: PathBuf,
    /// The line for the credits, if the contributor agreed to being named.
    pub credit: Option<String>,
    /// The take's form, for the credits of a final.
    pub form: Option<TakeForm>,
    /// Where the take's own file lies, for the offset lists of a final.
    pub offset: Option<TakeOffset>,
}

/// What the result is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RenderKind {
    /// To listen to now: `preview.ogg` (Opus), `report.json`, `manifest.json`.
    Preview,
    /// To deliver: `mix.wav`, `mix.flac`, `preview.ogg`, credits, offsets, `report.html` and the
    /// rest of the papers.
    Final,
}

/// What a final gives beside the mix.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Outputs {
    /// `groups/NAME.wav`: group mixes that sum to `groups/mix-before-master.wav`; of some sections
    /// those of groups that are heard there.
    pub group_mixes: bool,
    /// `stems/TAKE.wav`: every stem as it was conformed, with its place in the bext chunk; of a
    /// final of some sections what lies in them.
    pub aligned_stems: bool,
}

/// One take made a little louder in the crowd.
#[derive(Debug, Clone, PartialEq)]
pub struct Spotlight {
    /// Whose.
    pub take_id: String,
    /// By how much, dB; 0 to 20.
    pub gain_db: f64,
}

/// A render to be made.
#[derive(Debug, Clone)]
pub struct RenderRequest<'a> {
    /// The piece.
    pub piece: &'a Piece,
    /// Its arrangement.
    pub arrangement: &'a Arrangement,
    /// What names this version of the arrangement in the manifest.
    pub arrangement_version: String,
    /// Stems to mix, in any order: the result does not depend on it.
    pub stems: Vec<StemEntry>,
    /// Stem files that may lie in kept beds and are wanted no more; a bed one of whose stems is
    /// not at hand is made anew, so this saves time and changes nothing else.
    pub former_stems: Vec<PathBuf>,
    /// Preview or final.
    pub kind: RenderKind,
    /// Sections by name, neighbours joined into one stretch; none means the whole piece.
    pub sections: Vec<String>,
    /// Only these groups, by name; none means all.
    pub groups: Vec<String>,
    /// One take made louder.
    pub spotlight: Option<Spotlight>,
    /// Equalisers, compressors and room; the default is none of it.
    pub tone: MixTone,
    /// The impulse response that the arrangement's room names, if it names one.
    pub impulse: Option<PathBuf>,
    /// What else a final gives.
    pub outputs: Outputs,
    /// Where the files go; made if it is not there.
    pub out_dir: PathBuf,
    /// Where beds are kept between renders; none to keep none.
    pub beds_dir: Option<PathBuf>,
    /// Threads to use; 0 for one a core.
    pub threads: usize,
}
