//! How often one address may try: uploads begun, tokens guessed.

use std::net::{IpAddr, SocketAddr};
use std::num::NonZeroU32;

use axum::http::HeaderMap;
use governor::clock::{Clock, MonotonicClock};
use governor::state::keyed::HashMapStateStore;
use governor::{Quota, RateLimiter};

use super::problem::Problem;

/// A limit per address and minute, which also lets that many through at once.
#[derive(Debug)]
pub struct PerAddress {
    limiter: Option<RateLimiter<IpAddr, HashMapStateStore<IpAddr>, MonotonicClock>>,
}

impl PerAddress {
    /// `per_minute` tries a minute; 0 is no limit.
    #[must_use]
    pub fn new(per_minute: u32) -> Self {
        let limiter = NonZeroU32::new(per_minute).map(|n| {
            RateLimiter::new(Quota::per_minute(n), HashMapStateStore::default(), MonotonicClock)
        });
        Self { limiter }
    }

    /// Counts one try of `address`.
    ///
    /// # Errors
    /// 429 with the time to wait.
    pub fn check(&self, address: IpAddr) -> Result<(), Problem> {
        let Some(limiter) = &self.limiter else { return Ok(()) };
        // Addresses that have not been seen for a while are forgotten, so the table stays small.
        if limiter.len() > 10_000 {
            limiter.retain_recent();
        }
        limiter.check_key(&network(address)).map_err(|not_until| {
            let wait = not_until.wait_time_from(MonotonicClock.now());
            Problem::too_often(wait.as_secs() + 1)
        })
    }
}

/// What counts as one sender: an IPv4 address, or an IPv6 /64, the least a household is given.
fn network(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V6(v6) => match v6.to_ipv4_mapped() {
            Some(v4) => IpAddr::V4(v4),
            None => {
                let mut octets = v6.octets();
                octets[8..].fill(0);
                IpAddr::from(octets)
            }
        },
        v4 @ IpAddr::V4(_) => v4,
    }
}

/// The address a request comes from: the last entry of the proxy's header if one is set up, since
/// only that was written by the proxy; else the connection's.
#[must_use]
pub fn client_address(peer: SocketAddr, headers: &HeaderMap, proxy_header: &str) -> IpAddr {
    if proxy_header.is_empty() {
        return peer.ip();
    }
    headers
        .get_all(proxy_header)
        .iter()
        .next_back()
        .and_then(|v| v.to_str().ok())
        .and_then(|v| v.rsplit(',').next())
        .and_then(|v| v.trim().parse().ok())
        .unwrap_or(peer.ip())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_third_try_of_two_a_minute_must_wait() {
        let limit = PerAddress::new(2);
        let a = "192.0.2.1".parse().unwrap();
        assert!(limit.check(a).is_ok() && limit.check(a).is_ok());
        assert_eq!(limit.check(a).unwrap_err().status(), 429);
        assert!(limit.check("192.0.2.2".parse().unwrap()).is_ok(), "others are not held up");
    }

    #[test]
    fn an_ipv6_household_counts_as_one() {
        let limit = PerAddress::new(1);
        assert!(limit.check("2001:db8::1".parse().unwrap()).is_ok());
        assert!(limit.check("2001:db8::2".parse().unwrap()).is_err());
        assert!(limit.check("2001:db8:0:1::2".parse().unwrap()).is_ok());
    }

    #[test]
    fn a_forged_entry_before_the_proxys_own_is_not_believed() {
        let peer = "127.0.0.1:5".parse().unwrap();
        let mut headers = HeaderMap::new();
        headers.insert("x-forwarded-for", "203.0.113.9, 192.0.2.7".parse().unwrap());
        let seen = client_address(peer, &headers, "x-forwarded-for");
        assert_eq!(seen, "192.0.2.7".parse::<IpAddr>().unwrap());
        assert_eq!(client_address(peer, &headers, ""), peer.ip());
    }
}
