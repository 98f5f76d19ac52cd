//! Who is asking: the organiser, by token (scripts) or by a signed cookie (the desk).

use std::convert::Infallible;
use std::fs;
use std::io::Write;
use std::net::{IpAddr, SocketAddr};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use axum::extract::{ConnectInfo, FromRequestParts};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, Method, header};

use super::problem::Problem;
use super::rate::client_address;
use super::{AppState, store_problem};
use crate::clock::now_us;

/// The cookie of a desk that is signed in: `organiser.expiry.seal`.
const COOKIE: &str = "ripieno_desk";

/// Proof that the request is an organiser's. A handler that takes one is closed to all others.
#[derive(Clone, Debug)]
pub struct Organiser {
    /// The organiser's record id.
    pub id: String,
    /// The name that is noted beside what they save.
    pub name: String,
}

impl FromRequestParts<AppState> for Organiser {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &AppState) -> Result<Self, Problem> {
        if let Some(token) = bearer(&parts.headers) {
            if let Some(organiser) = by_token(app, token).await? {
                return Ok(organiser);
            }
            app.token_tries.check(Client::of(parts, app).0)?;
            return Err(Problem::unauthorised());
        }
        let Some(id) = app.seal.opened(&parts.headers, now_us()) else {
            return Err(Problem::unauthorised());
        };
        // The browser sends the cookie whoever wrote the form, so a change needs more than it.
        let changes = !matches!(parts.method, Method::GET | Method::HEAD | Method::OPTIONS);
        if changes && !super::security::from_our_pages(&parts.headers) {
            return Err(Problem::forbidden("This request did not come from a page of this desk."));
        }
        let all = app.store.list_organisers().await.map_err(store_problem)?;
        all.into_iter()
            .find(|o| o.id == id && o.revoked_at.is_none())
            .map(|o| Self { id: o.id, name: o.name })
            .ok_or_else(Problem::unauthorised)
    }
}

/// The address a request comes from.
#[derive(Clone, Copy, Debug)]
pub struct Client(pub IpAddr);

impl Client {
    fn of(parts: &Parts, app: &AppState) -> Self {
        let peer = parts.extensions.get::<ConnectInfo<SocketAddr>>().map(|info| info.0);
        let peer = peer.unwrap_or(SocketAddr::from(([0, 0, 0, 0], 0)));
        Self(client_address(peer, &parts.headers, &app.config.client_address_header))
    }
}

impl FromRequestParts<AppState> for Client {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, app: &AppState) -> Result<Self, Infallible> {
        Ok(Self::of(parts, app))
    }
}

/// The organiser whose token this is.
///
/// # Errors
/// Only faults of the store.
pub async fn by_token(app: &AppState, token: &str) -> Result<Option<Organiser>, Problem> {
    let found = app.store.find_organiser(token.trim()).await.map_err(store_problem)?;
    Ok(found.map(|o| Organiser { id: o.id, name: o.name }))
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, token) = value.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then_some(token)
}

/// Seals and opens the desk's cookie with a key that only this data folder has.
#[derive(Clone)]
pub struct Seal {
    key: [u8; 32],
}

impl Seal {
    /// Reads the key from `folder`, making it at the first start, readable by its owner alone.
    ///
    /// # Errors
    /// The folder cannot be read or written, or the system gives no random bytes.
    pub fn open(folder: &Path) -> std::io::Result<Self> {
        let path = folder.join("desk.key");
        if let Ok(bytes) = fs::read(&path)
            && let Ok(key) = bytes.try_into()
        {
            return Ok(Self { key });
        }
        let mut key = [0; 32];
        getrandom::fill(&mut key).map_err(std::io::Error::other)?;
        write_private(&path, &key)?;
        Ok(Self { key })
    }

    fn seal(&self, organiser: &str, until_us: i64) -> String {
        let text = format!("{organiser}.{until_us}");
        let seal = blake3::keyed_hash(&self.key, text.as_bytes());
        format!("{text}.{}", seal.to_hex())
    }

    /// The organiser a request's cookie names, if the seal is ours and the time is not over.
    #[must_use]
    pub fn opened(&self, headers: &HeaderMap, now_us: i64) -> Option<String> {
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok());
        let value = cookies
            .flat_map(|line| line.split(';'))
            .find_map(|pair| pair.trim().strip_prefix(COOKIE)?.strip_prefix('='))?;
        let (text, seal) = value.rsplit_once('.')?;
        let seal = blake3::Hash::from_hex(seal).ok()?;
        // blake3's comparison takes the same time wherever the two differ.
        if blake3::keyed_hash(&self.key, text.as_bytes()) != seal {
            return None;
        }
        let (organiser, until_us) = text.rsplit_once('.')?;
        (until_us.parse::<i64>().ok()? > now_us).then(|| organiser.to_owned())
    }

    /// The cookie for a desk that signs in now.
    #[must_use]
    pub fn cookie(&self, organiser: &str, now_us: i64, hours: u64, https: bool) -> HeaderValue {
        let seconds = hours.clamp(1, 24 * 366) * 3600;
        let until_us = now_us.saturating_add(seconds as i64 * 1_000_000);
        cookie_header(&self.seal(organiser, until_us), seconds, https)
    }
}

/// The cookie that signs the desk out.
#[must_use]
pub fn cookie_away(https: bool) -> HeaderValue {
    cookie_header("", 0, https)
}

fn cookie_header(value: &str, max_age_s: u64, https: bool) -> HeaderValue {
    let secure = if https { "; Secure" } else { "" };
    let text =
        format!("{COOKIE}={value}; Path=/; Max-Age={max_age_s}; HttpOnly; SameSite=Strict{secure}");
    HeaderValue::from_str(&text).unwrap_or(HeaderValue::from_static("ripieno_desk=; Max-Age=0"))
}

/// Keeps the first organiser's token in a file that only its owner can read, and gives its path.
///
/// # Errors
/// The folder cannot be written.
pub fn keep_token(folder: &Path, token: &str) -> std::io::Result<PathBuf> {
    let path = folder.join("organiser.token");
    write_private(&path, format!("{token}\n").as_bytes())?;
    Ok(path)
}

fn write_private(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut file =
        fs::OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(cookie: &HeaderValue) -> HeaderMap {
        let pair = cookie.to_str().unwrap().split(';').next().unwrap();
        HeaderMap::from_iter([(header::COOKIE, HeaderValue::from_str(pair).unwrap())])
    }

    #[test]
    fn a_cookie_opens_until_its_time_is_over_and_only_with_its_key() {
        let dir = tempfile::tempdir().unwrap();
        let seal = Seal::open(dir.path()).unwrap();
        let cookie = seal.cookie("abc", 0, 1, true);
        assert!(cookie.to_str().unwrap().ends_with("HttpOnly; SameSite=Strict; Secure"));
        let headers = headers(&cookie);
        assert_eq!(seal.opened(&headers, 3_599_000_000).as_deref(), Some("abc"));
        assert_eq!(seal.opened(&headers, 3_600_000_000), None);
        let again = Seal::open(dir.path()).unwrap();
        assert!(again.opened(&headers, 0).is_some(), "the key survives a restart");
        let other = Seal::open(tempfile::tempdir().unwrap().path()).unwrap();
        assert_eq!(other.opened(&headers, 0), None);
    }

    #[test]
    fn a_changed_name_breaks_the_seal() {
        let dir = tempfile::tempdir().unwrap();
        let seal = Seal::open(dir.path()).unwrap();
        let good = seal.seal("abc", 10);
        let forged = good.replacen("abc", "abd", 1);
        let with =
            |v: &str| headers(&HeaderValue::from_str(&format!("{COOKIE}={v}; Path=/")).unwrap());
        assert!(seal.opened(&with(&good), 0).is_some());
        assert!(seal.opened(&with(&forged), 0).is_none());
        assert!(seal.opened(&with("x"), 0).is_none());
        assert!(seal.opened(&with(""), 0).is_none());
    }

    #[test]
    fn the_token_file_is_for_its_owner_alone() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        let path = keep_token(dir.path(), "secret").unwrap();
        let mode = fs::metadata(&path).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        assert_eq!(fs::read_to_string(path).unwrap(), "secret\n");
    }
}
