//! Asks an agent over HTTP: one request at a time, bounded in time and size.

pub use super::pinned::Fingerprint;
use super::pinned::configuration;
use http_body_util::{BodyExt, Full, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper::{Method, Request, StatusCode, header};
use hyper_util::rt::TokioIo;
use rustls_pki_types::ServerName;
use serde_json::Value;
use std::fmt;
use std::str::FromStr;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;

/// Largest answer that is taken.
const LARGEST: usize = 16 << 20;

/// Where an agent is: `http://host:port` or `https://host:port`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Address {
    /// Encrypted.
    pub tls: bool,
    /// Host name or address, IPv6 without brackets.
    pub host: String,
    /// Port.
    pub port: u16,
}

impl FromStr for Address {
    type Err = String;
    fn from_str(t: &str) -> Result<Address, String> {
        let no = || {
            format!(
                "`{t}` is no address of an agent: expected such as `http://field-pc:7417` or `https://192.168.1.31:7417`"
            )
        };
        let (tls, rest) = match t.split_once("://") {
            Some(("http", rest)) => (false, rest),
            Some(("https", rest)) => (true, rest),
            Some(_) => return Err(no()),
            None => (false, t),
        };
        let rest = rest.strip_suffix('/').unwrap_or(rest);
        let (host, port) = match rest.rsplit_once(':') {
            Some((h, p)) if !h.ends_with(':') && (!h.contains(':') || h.ends_with(']')) => {
                (h, p.parse().ok().filter(|p| *p > 0).ok_or_else(no)?)
            }
            _ => (rest, 7417),
        };
        let host = host.trim_start_matches('[').trim_end_matches(']');
        let fit = |c: char| c.is_ascii_alphanumeric() || "-._:%".contains(c);
        if host.is_empty() || !host.chars().all(fit) {
            return Err(no());
        }
        Ok(Address { tls, host: host.into(), port })
    }
}

impl Address {
    /// Host and port as they stand in a URL.
    fn authority(&self) -> String {
        let host = if self.host.contains(':') { format!("[{}]", self.host) } else { self.host.clone() };
        format!("{host}:{}", self.port)
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}://{}", if self.tls { "https" } else { "http" }, self.authority())
    }
}

/// Why an agent gave no good answer. Each says what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ClientError {
    /// No connection, or no answer in time.
    #[error("the agent at {at} cannot be reached: {why}; does it run (`tilldawn watch`), and is this its address?")]
    Unreachable {
        /// Where.
        at: String,
        /// Why.
        why: String,
    },
    /// The certificate is not the expected one.
    #[error(
        "the agent at {at} shows a certificate that is not trusted here; compare its fingerprint with the one that \
         `tilldawn pair` shows on the field PC, and if they are the same say --fingerprint {shown}"
    )]
    Untrusted {
        /// Where.
        at: String,
        /// What it showed.
        shown: String,
    },
    /// The agent does not let this caller in.
    #[error(
        "the agent at {at} does not let this caller in: {why}; make a token on the field PC (`tilldawn token add NAME`) and name its file with --token"
    )]
    NotLetIn {
        /// Where.
        at: String,
        /// What it said.
        why: String,
    },
    /// The agent refused.
    #[error("{why}")]
    Refused {
        /// Status.
        status: u16,
        /// What it said.
        why: String,
    },
    /// What answered is no agent, or a newer one.
    #[error("what answers at {at} is no agent that this program understands: {why}")]
    Strange {
        /// Where.
        at: String,
        /// What was odd.
        why: String,
    },
}

/// One agent, asked.
#[derive(Clone, Debug)]
pub struct Client {
    at: Address,
    token: Option<String>,
    fingerprint: Option<Fingerprint>,
    patience: Duration,
}

trait Stream: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Stream for T {}

impl Client {
    /// A client for the agent at `at`. A token is sent as RFC 6750 has it; a fingerprint takes the place of authorities.
    pub fn new(at: Address, token: Option<String>, fingerprint: Option<Fingerprint>) -> Client {
        Client { at, token, fingerprint, patience: Duration::from_secs(15) }
    }

    /// Where it asks.
    pub fn at(&self) -> &Address {
        &self.at
    }

    /// GET; the JSON of the answer.
    ///
    /// # Errors
    /// See [`ClientError`].
    pub async fn get(&self, path: &str) -> Result<Value, ClientError> {
        self.ask(Method::GET, path, None).await
    }

    /// POST of JSON, or of nothing; the JSON of the answer.
    ///
    /// # Errors
    /// See [`ClientError`].
    pub async fn post(&self, path: &str, body: Option<&Value>) -> Result<Value, ClientError> {
        self.ask(Method::POST, path, body).await
    }

    /// Any request; the JSON of the answer, null for an empty one.
    ///
    /// # Errors
    /// See [`ClientError`].
    pub async fn ask(&self, method: Method, path: &str, body: Option<&Value>) -> Result<Value, ClientError> {
        match tokio::time::timeout(self.patience, self.ask_patiently(method, path, body)).await {
            Ok(answer) => answer,
            Err(_) => Err(self.unreachable(format!("no answer within {} s", self.patience.as_secs()))),
        }
    }

    fn unreachable(&self, why: impl fmt::Display) -> ClientError {
        ClientError::Unreachable { at: self.at.to_string(), why: why.to_string() }
    }

    fn strange(&self, why: impl fmt::Display) -> ClientError {
        ClientError::Strange { at: self.at.to_string(), why: why.to_string() }
    }

    async fn ask_patiently(&self, method: Method, path: &str, body: Option<&Value>) -> Result<Value, ClientError> {
        let stream = self.connect().await?;
        let (mut sender, connection) =
            http1::handshake::<_, Full<Bytes>>(TokioIo::new(stream)).await.map_err(|e| self.unreachable(e))?;
        let text = body.map(Value::to_string).unwrap_or_default();
        let mut request = Request::builder()
            .method(method)
            .uri(path)
            .header(header::HOST, self.at.authority())
            .header(header::ACCEPT, "application/json")
            .header(header::CONNECTION, "close");
        if body.is_some() {
            request = request.header(header::CONTENT_TYPE, "application/json");
        }
        if let Some(token) = &self.token {
            request = request.header(header::AUTHORIZATION, format!("Bearer {token}"));
        }
        let request = request.body(Full::new(Bytes::from(text))).map_err(|e| self.strange(e))?;
        let exchange = async {
            let answer = sender.send_request(request).await.map_err(|e| self.unreachable(e))?;
            let status = answer.status();
            let body = Limited::new(answer.into_body(), LARGEST).collect().await.map_err(|e| self.strange(e))?;
            Ok((status, body.to_bytes()))
        };
        // The connection is driven beside the exchange; it ends with it.
        tokio::pin!(connection);
        tokio::pin!(exchange);
        let (status, bytes) = tokio::select! {
            biased;
            done = &mut exchange => done?,
            ended = &mut connection => match ended {
                // The answer may still lie in the channel when the connection ends first.
                Ok(()) => exchange.await?,
                Err(e) => return Err(self.unreachable(e)),
            },
        };
        self.understood(status, &bytes)
    }

    async fn connect(&self) -> Result<Box<dyn Stream>, ClientError> {
        let tcp = TcpStream::connect((self.at.host.as_str(), self.at.port)).await.map_err(|e| self.unreachable(e))?;
        if !self.at.tls {
            return Ok(Box::new(tcp));
        }
        let (config, shown) = configuration(self.fingerprint).map_err(|e| self.strange(e))?;
        let name = ServerName::try_from(self.at.host.clone()).map_err(|e| self.strange(e))?;
        match tokio_rustls::TlsConnector::from(config).connect(name, tcp).await {
            Ok(s) => Ok(Box::new(s)),
            Err(e) => {
                let shown = *shown.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                let about_certificate = e
                    .get_ref()
                    .is_some_and(|inner| matches!(inner.downcast_ref(), Some(rustls::Error::InvalidCertificate(_))));
                Err(match shown.filter(|_| about_certificate) {
                    Some(shown) => ClientError::Untrusted { at: self.at.to_string(), shown: shown.to_string() },
                    None => self.unreachable(e),
                })
            }
        }
    }

    fn understood(&self, status: StatusCode, bytes: &[u8]) -> Result<Value, ClientError> {
        let json: Result<Value, _> = match bytes {
            [] => Ok(Value::Null),
            some => serde_json::from_slice(some),
        };
        if status.is_success() {
            return json.map_err(|e| self.strange(format!("its answer is no JSON ({e})")));
        }
        // RFC 9457: detail says what is wrong with this request, title what kind it is.
        let json = json.unwrap_or(Value::Null);
        let said = ["detail", "title"].iter().find_map(|k| json.get(k)?.as_str());
        let why = said.map_or_else(|| format!("it answered {status}"), String::from);
        Err(match status {
            StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => ClientError::NotLetIn { at: self.at.to_string(), why },
            s if said.is_none() => self.strange(format!("it answered {s}")),
            s => ClientError::Refused { status: s.as_u16(), why },
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{Read, Write};
    use std::net::TcpListener;

    #[test]
    fn addresses_are_read_and_shown() {
        for (t, shown) in [
            ("http://field-pc:7417", "http://field-pc:7417"),
            ("https://192.168.1.31", "https://192.168.1.31:7417"),
            ("http://[::1]:80/", "http://[::1]:80"),
            ("field-pc", "http://field-pc:7417"),
            ("[fd00::1]:81", "http://[fd00::1]:81"),
        ] {
            assert_eq!(t.parse::<Address>().unwrap().to_string(), shown);
        }
        for bad in
            ["", "ftp://x", "http://", "http://a b", "http://x:0", "http://x:99999", "http://x/y", "http://x\r\n"]
        {
            assert!(bad.parse::<Address>().is_err(), "{bad}");
        }
    }

    /// A server that gives one answer, and what it was asked.
    fn once(answer: &'static str) -> (Address, std::thread::JoinHandle<String>) {
        let l = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = l.local_addr().unwrap().port();
        let t = std::thread::spawn(move || {
            let (mut s, _) = l.accept().unwrap();
            let mut got = vec![];
            let mut buf = [0; 1024];
            while !got.windows(4).any(|w| w == b"\r\n\r\n") {
                let n = s.read(&mut buf).unwrap();
                if n == 0 {
                    break;
                }
                got.extend_from_slice(&buf[..n]);
            }
            s.write_all(answer.as_bytes()).unwrap();
            String::from_utf8_lossy(&got).into_owned()
        });
        (Address { tls: false, host: "127.0.0.1".into(), port }, t)
    }

    #[tokio::test]
    async fn answers_are_told_apart() {
        let (at, asked) = once("HTTP/1.1 200 OK\r\ncontent-length: 8\r\n\r\n{\"a\": 1}");
        let c = Client::new(at, Some("secret".into()), None);
        assert_eq!(c.get("/api/v1/summary").await.unwrap()["a"], 1);
        let asked = asked.join().unwrap();
        assert!(
            asked.starts_with("GET /api/v1/summary HTTP/1.1\r\n") && asked.contains("authorization: Bearer secret"),
            "{asked}"
        );
        for (answer, part) in [
            ("HTTP/1.1 401 No\r\ncontent-length: 23\r\n\r\n{\"detail\": \"no token\"} ", "tilldawn token add"),
            ("HTTP/1.1 404 No\r\ncontent-length: 31\r\n\r\n{\"detail\": \"there is no alarm\"}", "there is no alarm"),
            ("HTTP/1.1 200 OK\r\ncontent-length: 4\r\n\r\nhtml", "no agent that this program understands"),
            ("HTTP/1.1 500 Oh\r\ncontent-length: 0\r\n\r\n", "answered 500"),
            ("HTTP/1.1 200 OK\r\ncontent-length: 400\r\n\r\n{}", "no agent"),
            ("rubbish\r\n\r\n", "cannot be reached"),
            ("", "cannot be reached"),
        ] {
            let (at, asked) = once(answer);
            let e = Client::new(at, None, None).get("/").await.unwrap_err();
            assert!(e.to_string().contains(part), "{answer}: {e}");
            asked.join().unwrap();
        }
    }

    #[tokio::test]
    async fn nobody_there_and_silence_are_told() {
        let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let at = |port| Address { tls: false, host: "127.0.0.1".into(), port };
        let e = Client::new(at(free), None, None).get("/").await.unwrap_err();
        assert!(matches!(&e, ClientError::Unreachable { .. }), "{e}");
        let silent = TcpListener::bind("127.0.0.1:0").unwrap();
        let mut c = Client::new(at(silent.local_addr().unwrap().port()), None, None);
        c.patience = Duration::from_millis(50);
        assert!(c.get("/").await.unwrap_err().to_string().contains("no answer within"));
    }

    #[tokio::test]
    async fn a_certificate_of_its_own_is_trusted_by_its_fingerprint_alone() {
        let made = rcgen::generate_simple_self_signed(vec!["localhost".into()]).unwrap();
        let print: String = {
            use sha2::Digest;
            sha2::Sha256::digest(made.cert.der()).iter().map(|b| format!("{b:02x}")).collect()
        };
        let key = rustls_pki_types::PrivateKeyDer::try_from(made.signing_key.serialize_der()).unwrap();
        let server = rustls::ServerConfig::builder_with_provider(rustls::crypto::ring::default_provider().into())
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_no_client_auth()
            .with_single_cert(vec![made.cert.der().clone()], key)
            .unwrap();
        let acceptor = tokio_rustls::TlsAcceptor::from(std::sync::Arc::new(server));
        let l = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = Address { tls: true, host: "127.0.0.1".into(), port: l.local_addr().unwrap().port() };
        tokio::spawn(async move {
            use tokio::io::{AsyncReadExt, AsyncWriteExt};
            while let Ok((s, _)) = l.accept().await {
                let Ok(mut s) = acceptor.accept(s).await else {
                    continue;
                };
                let mut buf = [0; 4096];
                let _ = s.read(&mut buf).await;
                let _ = s.write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 2\r\n\r\n{}").await;
                let _ = s.shutdown().await;
            }
        });
        let trusted = Client::new(at.clone(), None, Some(print.parse().unwrap()));
        assert_eq!(trusted.get("/").await.unwrap(), serde_json::json!({}));
        let shown = print.parse::<Fingerprint>().unwrap().to_string();
        for wrong in [None, Some("00".repeat(32).parse().unwrap())] {
            let e = Client::new(at.clone(), None, wrong).get("/").await.unwrap_err();
            assert_eq!(e, ClientError::Untrusted { at: at.to_string(), shown: shown.clone() });
        }
    }
}
