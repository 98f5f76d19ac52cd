//! Every setting of the service. The comment above each one is the manual: `ripieno config`
//! prints it beside the value in force.
//!
//! A value comes from the last of these that names it: the default written here, the file
//! `ripieno.toml` (or the one given by `--config`), an environment variable (`RIPIENO_` and the
//! name in capitals, such as `RIPIENO_DATA_DIR`), the command line (`--listen`, `--data-dir`, and
//! `--set NAME=VALUE` for any setting).

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use figment::Figment;
use figment::providers::{Env, Format, Serialized, Toml};
use ripieno_worker::secret::Secret;
use serde::{Deserialize, Serialize};

/// Writes the settings struct, its defaults and its manual from one list, so they cannot part.
macro_rules! settings {
    ($($(#[doc = $doc:literal])+ $name:ident: $kind:ty = $default:expr,)+) => {
        /// The settings in force, each documented at its field.
        #[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
        #[serde(deny_unknown_fields)]
        pub struct Config {
            $($(#[doc = $doc])+ pub $name: $kind,)+
        }

        impl Default for Config {
            fn default() -> Self {
                Self { $($name: $default,)+ }
            }
        }

        /// Name and explanation of every setting, in the order of [`Config`].
        pub const MANUAL: &[(&str, &[&str])] = &[$((stringify!($name), &[$($doc),+])),+];
    };
}

settings! {
    /// Address and port to listen on. Keep it on loopback and put a reverse proxy with TLS in
    /// front when others are to reach it.
    listen: SocketAddr = SocketAddr::from(([127, 0, 0, 1], 8080)),
    /// The address people type, such as `https://piece.example.org`. Receipt links begin with
    /// it. Empty: `http://` and the listening address.
    public_url: String = String::new(),
    /// Folder for everything the service keeps: records, recordings, stems, renders.
    data_dir: PathBuf = PathBuf::from("ripieno-data"),
    /// How many jobs the server itself works on at a time. 0: none, run `ripieno work` beside it.
    workers: usize = 1,
    /// Threads a render may use. 0: as many as the machine has cores.
    render_threads: usize = 0,
    /// Largest recording accepted, in bytes (default 2 GiB).
    max_upload_bytes: u64 = 2 << 30,
    /// Longest recording that is decoded, in seconds (default 3 hours).
    max_decoded_s: f64 = 10_800.0,
    /// Most takes one piece accepts.
    max_takes_per_piece: u64 = 10_000,
    /// Most bytes all recordings of one piece may use together (default 500 GiB).
    max_bytes_per_piece: u64 = 500 << 30,
    /// How many uploads one address may begin in a minute. 0: no limit. A school sends from one
    /// address, so keep it generous.
    upload_starts_per_minute: u32 = 60,
    /// How many wrong tokens one address may try in a minute. 0: no limit.
    sign_in_tries_per_minute: u32 = 10,
    /// Header in which your reverse proxy states the client's address, such as
    /// `x-forwarded-for` (its last entry counts). Empty: the connection's own address. Set it
    /// only behind a proxy that writes it.
    client_address_header: String = String::new(),
    /// Hours after which an unfinished resumable upload is thrown away.
    upload_expires_h: u64 = 72,
    /// Hours a sign-in at the desk lasts.
    session_h: u64 = 12,
    /// Seconds any request but an upload or a download may take.
    request_timeout_s: u64 = 30,
    /// Seconds an upload may stand still before it is given up.
    upload_idle_s: u64 = 120,
    /// Seconds to wait at a stop for requests and jobs under way.
    stop_grace_s: u64 = 20,
    /// Key that signs what is posted to a piece's webhook (HMAC-SHA256). Empty: nothing is
    /// posted. Set it by `RIPIENO_WEBHOOK_SECRET` rather than on the command line.
    webhook_secret: Secret = Secret::default(),
    /// What to log, as for `RUST_LOG`: a level, or `crate=level` parts joined by commas.
    log: String = "info,sqlx=warn".to_owned(),
    /// How to write the log: `text` or `json`, one line an event.
    log_format: LogFormat = LogFormat::Text,
}

/// The setting whose value is never shown.
const SECRET: &str = "webhook_secret";

/// How log lines are written.
#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum LogFormat {
    /// For people.
    Text,
    /// For programs: one JSON object a line.
    Json,
}

/// A setting that cannot be used, in one plain sentence.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct ConfigError(pub String);

impl Config {
    /// Reads the settings: defaults, `file` (or `ripieno.toml` if there is one), environment,
    /// then `overrides` as (name, value) pairs.
    ///
    /// # Errors
    /// A file that is missing or no TOML, an unknown name, a value of the wrong kind.
    pub fn load(file: Option<&Path>, overrides: &[(String, String)]) -> Result<Self, ConfigError> {
        let mut figment = Figment::from(Serialized::defaults(Self::default()));
        figment = match file {
            Some(path) if !path.is_file() => {
                return Err(ConfigError(format!(
                    "The settings file {} is not there; check the path given to --config.",
                    path.display()
                )));
            }
            Some(path) => figment.merge(Toml::file_exact(path)),
            None => figment.merge(Toml::file("ripieno.toml")),
        };
        let known = |name: &str| MANUAL.iter().any(|(n, _)| *n == name);
        figment = figment.merge(Env::prefixed("RIPIENO_").filter(move |k| known(k.as_str())));
        // As it stands: `007` is a key, not the number 7.
        if let Ok(secret) = std::env::var("RIPIENO_WEBHOOK_SECRET") {
            figment = figment.merge(Serialized::default(SECRET, secret));
        }
        for (name, value) in overrides {
            figment = figment.merge(Toml::string(&toml_line(name, value)?));
        }
        let config: Self = figment.extract().map_err(|e| ConfigError(plain(&e)))?;
        config.check()
    }

    fn check(mut self) -> Result<Self, ConfigError> {
        while self.public_url.ends_with('/') {
            self.public_url.pop();
        }
        let url = &self.public_url;
        if !url.is_empty() && !url.starts_with("http://") && !url.starts_with("https://") {
            return Err(ConfigError(format!(
                "The setting public_url is {url:?}; it must begin with http:// or https://."
            )));
        }
        if !(self.max_decoded_s.is_finite() && self.max_decoded_s > 0.0) {
            return Err(ConfigError(
                "The setting max_decoded_s must be a number of seconds above 0.".to_owned(),
            ));
        }
        Ok(self)
    }

    /// The address people type, without a slash at its end.
    #[must_use]
    pub fn public_base(&self) -> String {
        if self.public_url.is_empty() {
            format!("http://{}", self.listen)
        } else {
            self.public_url.clone()
        }
    }

    /// Whether people reach the service over TLS, so that cookies may insist on it.
    #[must_use]
    pub fn is_https(&self) -> bool {
        self.public_url.starts_with("https://")
    }

    /// The settings as a commented `ripieno.toml`, which [`Config::load`] reads back unchanged.
    #[must_use]
    pub fn to_manual(&self) -> String {
        let values = toml::Table::try_from(self).unwrap_or_default();
        let mut text = String::new();
        for (name, lines) in MANUAL {
            for line in *lines {
                text.push_str(&format!("#{line}\n"));
            }
            let value = values.get(*name).map_or_else(String::new, ToString::to_string);
            if *name == SECRET && !self.webhook_secret.is_empty() {
                text.push_str(&format!("# {name} is set; it is not shown.\n\n"));
                continue;
            }
            text.push_str(&format!("{name} = {value}\n\n"));
        }
        text
    }
}

/// `name = value` as TOML: as it stands where it parses (numbers, quoted text), else as text.
fn toml_line(name: &str, value: &str) -> Result<String, ConfigError> {
    if !MANUAL.iter().any(|(known, _)| *known == name) {
        return Err(ConfigError(format!(
            "There is no setting called {name:?}; `ripieno config` lists them all."
        )));
    }
    let bare = format!("{name} = {value}");
    let fits = |table: &toml::Table| table.len() == 1 && (name != SECRET || table[name].is_str());
    if toml::from_str::<toml::Table>(&bare).is_ok_and(|table| fits(&table)) {
        return Ok(bare);
    }
    Ok(format!("{name} = {}", toml::Value::String(value.to_owned())))
}

/// Figment's error as one sentence that names the setting and where its value came from.
fn plain(error: &figment::Error) -> String {
    let from = error.metadata.as_ref().map_or_else(String::new, |m| match &m.source {
        Some(source) => format!(" (from {source})"),
        None => format!(" (from {})", m.name),
    });
    match error.path.as_slice() {
        [name] if name == SECRET => {
            format!("The setting {SECRET}{from} cannot be used: it must be text in quotes.")
        }
        [] => {
            // A parser quotes the line it stumbled over, and that line may hold the key.
            let says = error.kind.to_string();
            let unquoted = |line: &&str| {
                !line
                    .trim_start()
                    .trim_start_matches(|c: char| c.is_ascii_digit())
                    .starts_with(" |")
                    && !line.trim_start().starts_with('|')
            };
            let says: Vec<&str> = says.lines().filter(unquoted).collect();
            format!(
                "The settings could not be read{from}: {}.",
                says.join(": ").trim_end_matches('.')
            )
        }
        path => format!("The setting {}{from} cannot be used: {}.", path.join("."), error.kind),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_printed_reads_back_as_the_same_settings() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("ripieno.toml");
        let config =
            Config { workers: 3, public_url: "https://a.example".into(), ..Config::default() };
        std::fs::write(&file, config.to_manual()).unwrap();
        assert_eq!(Config::load(Some(&file), &[]).unwrap(), config);
    }

    #[test]
    fn the_command_line_wins_and_takes_text_without_quotes() {
        let set =
            [("listen".to_owned(), "0.0.0.0:9".to_owned()), ("workers".to_owned(), "4".to_owned())];
        let config = Config::load(None, &set).unwrap();
        assert_eq!((config.listen.port(), config.workers), (9, 4));
    }

    #[test]
    fn an_unknown_setting_is_named() {
        let error = Config::load(None, &[("lissen".into(), "x".into())]).unwrap_err();
        assert!(error.to_string().contains("lissen"), "{error}");
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("r.toml");
        std::fs::write(&file, "lissen = 1").unwrap();
        let error = Config::load(Some(&file), &[]).unwrap_err().to_string();
        assert!(error.contains("lissen") && error.contains("r.toml"), "{error}");
    }

    #[test]
    fn a_value_of_the_wrong_kind_is_one_sentence() {
        let error = Config::load(None, &[("workers".into(), "many".into())]).unwrap_err();
        assert!(error.to_string().starts_with("The setting workers"), "{error}");
    }

    #[test]
    fn the_key_of_the_webhook_is_never_shown() {
        let set = |value: &str| Config::load(None, &[(SECRET.into(), value.into())]).unwrap();
        let config = set("tide and time");
        assert_eq!(config.webhook_secret.reveal(), "tide and time");
        assert_eq!(set("007").webhook_secret.reveal(), "007");
        let worker = crate::serve::worker_settings(&config);
        assert_eq!(worker.webhook_secret.reveal(), "tide and time");
        let json = serde_json::to_string(&config).unwrap();
        for shown in [config.to_manual(), format!("{config:?} {worker:?}"), json] {
            assert!(!shown.contains("tide"), "{shown}");
        }
        assert!(config.to_manual().contains("# webhook_secret is set; it is not shown."));
    }

    #[test]
    fn a_settings_file_with_a_mistake_does_not_show_the_key() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("ripieno.toml");
        for text in ["webhook_secret = 4711", "webhook_secret = 4711 x", "webhook_secret = \"4711"]
        {
            std::fs::write(&file, text).unwrap();
            let error = Config::load(Some(&file), &[]).unwrap_err().to_string();
            assert!(!error.contains("4711"), "{error}");
        }
    }

    #[test]
    fn every_setting_is_explained() {
        assert!(MANUAL.iter().all(|(_, lines)| lines.iter().any(|l| l.len() > 10)));
    }
}
