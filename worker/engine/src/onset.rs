//! What is played and when: onsets, novelty, level and chroma, heard in one streaming pass.
