//! Turns one recording into a stem and what there is to say about it.
