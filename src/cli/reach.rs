//! Which agent a command asks, and how it is let in: shared by all commands that speak to a running agent.

use super::{Failure, configured};
use crate::config::paths;
use crate::house::client::Fingerprint;
use crate::house::{Address, Client, ClientError};
use crate::http::auth::tls::Certificate;
use clap::Args;
use std::future::Future;
use std::path::{Path, PathBuf};

/// The environment variable that holds a token.
const TOKEN: &str = "TILLDAWN_TOKEN";

/// Where the agent is.
#[derive(Debug, Args)]
pub struct Reach {
    /// The agent to ask, such as `http://field-pc:7417`; without it the one on this machine
    #[arg(long, value_name = "URL")]
    at: Option<Address>,
    /// File that holds a token for it; without it the environment variable TILLDAWN_TOKEN
    #[arg(long, value_name = "FILE")]
    token: Option<PathBuf>,
    /// Fingerprint of its certificate, as `tilldawn pair` shows it, if the certificate is of its own making
    #[arg(long, value_name = "HEX")]
    fingerprint: Option<Fingerprint>,
    /// Configuration file of the agent on this machine; it says where it listens
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

impl Reach {
    /// Whether the agent of this machine is meant.
    pub fn is_own(&self) -> bool {
        self.at.is_none()
    }

    /// The agent that was named, if one was.
    pub fn at(&self) -> Option<&Address> {
        self.at.as_ref()
    }

    /// The configuration file, if one was named.
    pub fn config(&self) -> Option<&Path> {
        self.config.as_deref()
    }

    /// A client for that agent.
    ///
    /// # Errors
    /// A configuration or a token file that cannot be read.
    pub fn client(&self) -> Result<Client, Failure> {
        let (at, own) = match &self.at {
            Some(at) => (at.clone(), None),
            None => {
                let http = configured(self.config.as_deref())?.http;
                let ip = http.listen.ip();
                // An agent that listens everywhere listens on loopback too.
                let host = match (ip.is_unspecified(), ip.is_ipv6()) {
                    (true, true) => "::1".into(),
                    (true, false) => "127.0.0.1".into(),
                    (false, _) => ip.to_string(),
                };
                let own = if http.tls { own_fingerprint() } else { None };
                (Address { tls: http.tls, host, port: http.listen.port() }, own)
            }
        };
        Ok(Client::new(at, self.token()?, self.fingerprint.or(own)))
    }

    fn token(&self) -> Result<Option<String>, Failure> {
        let text = match &self.token {
            Some(f) => std::fs::read_to_string(f)
                .map_err(|e| Failure(format!("the token file `{}` cannot be read: {e}", f.display())))?,
            None => std::env::var(TOKEN).unwrap_or_default(),
        };
        let token = text.trim();
        if token.contains(|c: char| !c.is_ascii_graphic()) {
            let from = self.token.as_ref().map_or_else(|| TOKEN.into(), |f| f.display().to_string());
            return Err(Failure(format!(
                "what stands in `{from}` is no token: expected one word, as `tilldawn token add` printed it"
            )));
        }
        Ok(Some(token.to_owned()).filter(|t| !t.is_empty()))
    }
}

/// The fingerprint of the certificate of the agent on this machine, if this user may read it.
fn own_fingerprint() -> Option<Fingerprint> {
    Certificate::kept(&paths::state_dir())?.fingerprint().parse().ok()
}

/// Runs one exchange to its end.
///
/// # Errors
/// What the agent or the way to it made fail, in words.
pub fn ask<T>(exchange: impl Future<Output = Result<T, ClientError>>) -> Result<T, Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure(format!("no request can be made: {e}")))?;
    runtime.block_on(exchange).map_err(|e| Failure(e.to_string()))
}
