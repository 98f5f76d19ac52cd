//! What a render is made of.
