//! Names of records, and secrets.

use crate::error::{ErrorKind, Result, StoreError};

/// Crockford's base 32 in lower case: no i, l, o, u to misread.
const ALPHABET: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";

/// A record's id: 16 characters, the first nine the millisecond (so ids sort by time), the rest
/// 35 random bits. An id is a name, not a secret.
pub fn new_id(now_us: i64) -> Result<String> {
    let random = random_bits()? & ((1 << 35) - 1);
    let ms = u128::from((now_us.max(0) / 1000) as u64 & ((1 << 45) - 1));
    Ok(base32((ms << 35) | random, 16))
}

/// A secret of 128 random bits that was made once and is kept only as its hash: organisers'
/// tokens, receipts, upload addresses.
#[derive(Clone)]
pub struct Secret(String);

impl Secret {
    /// A new one, from the system's generator.
    pub fn new() -> Result<Self> {
        Ok(Secret(base32(random_bits()?, 26)))
    }

    /// The text to hand out, once.
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// What is kept of it.
    pub fn hash(&self) -> String {
        hash_secret(&self.0)
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret(…)")
    }
}

/// The hash under which a secret is looked up. The secrets are random and long, so a plain hash
/// is enough; a look-up by hash leaks nothing by its timing.
pub fn hash_secret(secret: &str) -> String {
    blake3::hash(secret.as_bytes()).to_hex().to_string()
}

fn random_bits() -> Result<u128> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes).map_err(|error| {
        StoreError::new(
            ErrorKind::Machine,
            format!("The system's random number generator failed: {error}."),
        )
    })?;
    Ok(u128::from_le_bytes(bytes))
}

fn base32(value: u128, digits: u32) -> String {
    (0..digits).rev().map(|i| ALPHABET[(value >> (5 * i)) as usize & 31] as char).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_sort_by_time_and_do_not_repeat() {
        let mut ids: Vec<String> =
            (0..2000).map(|i| new_id(1_764_000_000_000_000 + i * 1000).unwrap()).collect();
        let made = ids.clone();
        ids.sort();
        assert_eq!(ids, made);
        let same: std::collections::HashSet<String> =
            (0..2000).map(|_| new_id(5).unwrap()).collect();
        assert_eq!(same.len(), 2000);
        assert!(ids.iter().all(|id| id.len() == 16));
    }

    #[test]
    fn a_secret_is_long_and_shows_only_when_asked() {
        let secret = Secret::new().unwrap();
        assert_eq!(secret.reveal().len(), 26);
        assert_eq!(secret.hash(), hash_secret(secret.reveal()));
        assert_eq!(format!("{secret:?}"), "Secret(…)");
        assert_ne!(secret.reveal(), Secret::new().unwrap().reveal());
    }
}
