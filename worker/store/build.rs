//! Rebuilds the crate when a migration is added: the migrations are embedded in it.

fn main() {
    println!("cargo:rerun-if-changed=../../migrations");
}
