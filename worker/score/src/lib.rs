//! The nouns of a piece and their rules: tempo map, sections, arrangement, takes.
