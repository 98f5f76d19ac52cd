//! What is done to a take or a render.

pub mod conform_take;
pub mod guide_pack;
pub mod http_client;
pub mod jobs;
pub mod morning_note;
mod nightly;
pub mod plan;
pub mod render_mix;
pub mod run;
pub mod secret;
pub mod stem_wav;
pub mod sweep;
mod webhook;
