//! Waveform and spectrum summaries for people to look at.
