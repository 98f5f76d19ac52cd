//! How the product speaks to others over HTTP.

/// A client to be built as its use asks. What is encrypted is so by ring: its parts in C and
/// assembler compile in seconds.
pub fn builder() -> reqwest::ClientBuilder {
    // Refused where one was named before, which then serves as well.
    let _ = rustls::crypto::ring::default_provider().install_default();
    reqwest::Client::builder()
}
