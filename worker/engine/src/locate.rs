//! Where a mark lies in a recording: matched filter, candidates with scores.
