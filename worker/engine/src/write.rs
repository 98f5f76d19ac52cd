//! Writers of the deliverables.
