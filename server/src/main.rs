//! The binary: parse, match the verb, call one function.

fn main() {}
