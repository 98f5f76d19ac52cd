//! What a check has to say about a take.
