//! Equaliser, compressor and room.
