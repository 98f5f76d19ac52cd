//! Small numerical helpers that several rooms share.

pub(crate) mod bessel;
pub(crate) mod log;
pub(crate) mod processor;
pub(crate) mod robust;
pub(crate) mod sinc;
pub(crate) mod spectrum;
pub(crate) mod vectors;
pub(crate) mod drift;
