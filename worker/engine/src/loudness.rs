//! Loudness and true peak by ITU-R BS.1770.
