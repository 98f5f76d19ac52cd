//! The front door of Ripieno, and its one binary.
