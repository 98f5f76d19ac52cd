//! From file clock to master grid in one pass.
