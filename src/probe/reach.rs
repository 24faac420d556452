//! Asking a place on the network for a sign: a TCP connect, an expected answer, an HTTP answer. Everything ends by its
//! deadline, and names are looked up off the runtime's thread.

use crate::model::BootMs;
use http_body_util::{BodyExt, Empty, Limited};
use hyper::body::Bytes;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::Notify;

/// No more of an answer is read than this.
const MOST: usize = 64 * 1024;

/// A host name with the addresses that it had when it was last looked up. Looking up happens beside the tries: a name service
/// that is out of reach must not make a host look so whose address is known.
#[derive(Clone, Debug)]
pub struct Host {
    name: Arc<str>,
    known: Arc<Mutex<Known>>,
    done: Arc<Notify>,
}

#[derive(Debug, Default)]
struct Known {
    addresses: Vec<IpAddr>,
    /// The name is an address.
    fixed: bool,
    looked_up: Option<BootMs>,
    under_way: bool,
    error: Option<String>,
}

/// Names are looked up anew after this time, and after every failure to connect.
const KEEP_MS: i64 = 300_000;

impl Host {
    /// A host by name or address.
    pub fn new(name: &str) -> Host {
        let bare = name.trim_start_matches('[').trim_end_matches(']');
        let addresses: Vec<IpAddr> = bare.parse().into_iter().collect();
        let known = Known { fixed: !addresses.is_empty(), addresses, ..Known::default() };
        Host { name: bare.into(), known: Arc::new(Mutex::new(known)), done: Arc::default() }
    }

    fn known(&self) -> MutexGuard<'_, Known> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether it is an address, which needs no looking up.
    pub fn is_address(&self) -> bool {
        self.known().fixed
    }

    /// The addresses, as last known. Waits only if none is known yet; the caller sets the deadline.
    ///
    /// # Errors
    /// When the name has never been looked up with success.
    pub async fn addresses(&self, now: BootMs) -> io::Result<Vec<IpAddr>> {
        loop {
            let done = self.done.notified();
            {
                let mut k = self.known();
                let due = !k.fixed && k.looked_up.is_none_or(|t| (now - t).0 >= KEEP_MS);
                if due && !k.under_way {
                    k.under_way = true;
                    tokio::spawn(look_up(self.clone(), now));
                }
                if !k.addresses.is_empty() {
                    return Ok(k.addresses.clone());
                }
                if !k.under_way {
                    return Err(io::Error::other(k.error.clone().unwrap_or_else(|| "it has no address".into())));
                }
            }
            done.await;
        }
    }

    /// The next call has the name looked up again.
    pub fn doubt(&self) {
        self.known().looked_up = None;
    }
}

async fn look_up(host: Host, now: BootMs) {
    let found = tokio::net::lookup_host((&*host.name, 0)).await;
    {
        let mut k = host.known();
        k.under_way = false;
        // A failure counts as a look too, or a dead name service would be asked with every try.
        k.looked_up = Some(now);
        match found {
            Ok(all) => {
                let all: Vec<IpAddr> = all.map(|a| a.ip()).collect();
                if !all.is_empty() {
                    (k.addresses, k.error) = (all, None);
                }
            }
            Err(e) => {
                k.error = Some(e.to_string());
                if k.addresses.is_empty() {
                    // Asked again after a few seconds.
                    k.looked_up = Some(BootMs(now.0 - KEEP_MS + 5_000));
                }
            }
        }
    }
    host.done.notify_waiters();
}

/// Splits `host:port`, with the host in brackets if it is an address of version 6.
pub fn host_and_port(address: &str) -> Option<(Host, u16)> {
    let (host, port) = address.rsplit_once(':')?;
    Some((Host::new(host), port.parse().ok()?)).filter(|_| !host.is_empty())
}

/// A connection to the first address that takes one.
///
/// # Errors
/// The last address's.
pub async fn connect(host: &Host, port: u16, now: BootMs) -> io::Result<TcpStream> {
    let mut last = io::Error::from(io::ErrorKind::NotFound);
    for ip in host.addresses(now).await? {
        match TcpStream::connect(SocketAddr::new(ip, port)).await {
            Ok(s) => return Ok(s),
            Err(e) => last = e,
        }
    }
    host.doubt();
    Err(last)
}

/// Connects, sends, and waits for bytes that contain `expect` (any byte, if none).
///
/// # Errors
/// No connection, no answer by the deadline, or another answer.
pub async fn answers(
    host: &Host,
    port: u16,
    send: Option<&[u8]>,
    expect: Option<&[u8]>,
    now: BootMs,
    deadline: Duration,
) -> io::Result<()> {
    within(deadline, async {
        let mut s = connect(host, port, now).await?;
        if let Some(send) = send {
            s.write_all(send).await?;
        }
        let want = expect.unwrap_or_default();
        let mut got = Vec::with_capacity(256);
        loop {
            if s.read_buf(&mut got).await? == 0 {
                return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "closed without the expected answer"));
            }
            if want.is_empty() || got.windows(want.len()).any(|w| w == want) {
                return Ok(());
            }
            if got.len() > MOST {
                return Err(io::Error::new(io::ErrorKind::InvalidData, "a long answer without the expected bytes"));
            }
        }
    })
    .await
}

/// An address for HTTP in its parts.
#[derive(Clone, Debug)]
pub struct Url {
    /// Host.
    pub host: Host,
    /// Port.
    pub port: u16,
    /// As it stands in the `Host` field.
    pub authority: String,
    /// Path and query.
    pub path: String,
}

/// Splits `http://host:port/path`; none if it is something else.
pub fn url(text: &str) -> Option<Url> {
    let u: hyper::Uri = text.parse().ok()?;
    if u.scheme_str() != Some("http") {
        return None;
    }
    let host = Host::new(u.host()?);
    let path = u.path_and_query().map_or("/", |p| p.as_str()).to_string();
    Some(Url { host, port: u.port_u16().unwrap_or(80), authority: u.authority()?.to_string(), path })
}

/// Status and body (at most 64 KiB of it) of an HTTP answer.
///
/// # Errors
/// No connection, no answer by the deadline, or one that is no HTTP.
pub async fn http(u: &Url, now: BootMs, deadline: Duration) -> io::Result<(u16, Bytes)> {
    within(deadline, async {
        let s = connect(&u.host, u.port, now).await?;
        let io = hyper_util::rt::TokioIo::new(s);
        let (mut sender, connection) = hyper::client::conn::http1::handshake(io).await.map_err(io::Error::other)?;
        let ask = hyper::Request::get(&u.path)
            .header("host", &u.authority)
            .header("connection", "close")
            .body(Empty::<Bytes>::new())
            .map_err(io::Error::other)?;
        let answer = async {
            let a = sender.send_request(ask).await.map_err(io::Error::other)?;
            let status = a.status().as_u16();
            // A long body is no fault of the program: what was read of it counts.
            let body = Limited::new(a.into_body(), MOST).collect().await.map(|b| b.to_bytes()).unwrap_or_default();
            Ok((status, body))
        };
        let mut answer = std::pin::pin!(answer);
        tokio::select! {
            a = &mut answer => a,
            // The connection ends when the body has been read: the answer is then there.
            _ = connection => answer.await,
        }
    })
    .await
}

/// A deadline as an ordinary error.
pub async fn within<T>(deadline: Duration, work: impl Future<Output = io::Result<T>>) -> io::Result<T> {
    tokio::time::timeout(deadline, work)
        .await
        .unwrap_or_else(|_| Err(io::Error::new(io::ErrorKind::TimedOut, "no answer in time")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::net::TcpListener;

    const LONG: Duration = Duration::from_secs(30);

    async fn serve(reply: &'static [u8]) -> u16 {
        let l = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = l.local_addr().unwrap().port();
        tokio::spawn(async move {
            loop {
                let (mut s, _) = l.accept().await.unwrap();
                let mut ask = [0; 1024];
                let _ = s.read(&mut ask).await;
                let _ = s.write_all(reply).await;
            }
        });
        port
    }

    #[tokio::test]
    async fn an_answer_counts_only_if_it_is_the_expected_one() {
        let port = serve(b"pier ready\n").await;
        let h = Host::new("127.0.0.1");
        let now = BootMs(0);
        assert!(answers(&h, port, Some(b"?"), Some(b"ready"), now, LONG).await.is_ok());
        let e = answers(&h, port, Some(b"?"), Some(b"parked"), now, LONG).await.unwrap_err();
        assert_eq!(e.kind(), io::ErrorKind::UnexpectedEof);
        // Accepts and never speaks: what a stopped program looks like.
        let mute = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = mute.local_addr().unwrap().port();
        let e = answers(&h, port, None, None, now, Duration::from_millis(50)).await.unwrap_err();
        assert_eq!(e.kind(), io::ErrorKind::TimedOut);
    }

    #[tokio::test]
    async fn http_answers_with_status_and_body() {
        let port = serve(b"HTTP/1.1 404 Not Found\r\nContent-Length: 4\r\n\r\nlost").await;
        let u = url(&format!("http://localhost:{port}/x?y")).unwrap();
        let (status, body) = http(&u, BootMs(0), LONG).await.unwrap();
        assert_eq!((status, &body[..]), (404, &b"lost"[..]));
        let port = serve(b"good evening\n").await;
        assert!(http(&url(&format!("http://127.0.0.1:{port}")).unwrap(), BootMs(0), LONG).await.is_err());
    }

    #[test]
    fn places_are_split() {
        assert!(host_and_port("127.0.0.1:80").is_some_and(|(h, p)| h.is_address() && p == 80));
        assert!(host_and_port("[::1]:80").is_some_and(|(h, _)| h.is_address()));
        assert!(host_and_port("pier.local:80").is_some_and(|(h, _)| !h.is_address()));
        assert!(
            host_and_port("pier").is_none() && host_and_port(":80").is_none() && host_and_port("x:99999").is_none()
        );
        assert!(url("https://x/").is_none() && url("nothing").is_none());
        assert_eq!(url("http://x/a?b").unwrap().path, "/a?b");
    }
}
