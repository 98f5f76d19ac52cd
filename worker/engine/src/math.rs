//! Small numerical helpers that several rooms share.
