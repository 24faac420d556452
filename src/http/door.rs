//! The door: where the agent listens, and the accept loop, in which everything that a peer can hold on to is bounded.

use super::app::App;
use super::auth::may_listen::{Refusal, may_listen};
use super::auth::tls::{Certificate, TlsError};
use super::gate::Peer;
use super::problem::{Kind, Problem};
use super::wire::Moving;
use super::{Serving, router};
use crate::clock::SharedClock;
use crate::config::model::HttpSettings;
use axum::http::uri::Authority;
use axum::http::{Method, StatusCode, header};
use axum::response::{IntoResponse, Response};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use std::collections::HashMap;
use std::future::Future;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;
use tower::ServiceExt;

/// At most so many connections at once.
const CONNECTIONS: usize = 64;
/// At most so many of them from one address beyond loopback, so that one peer cannot take them all.
const CONNECTIONS_OF_ONE: usize = 24;
/// A request's header must be complete within this time; an idle connection is closed after it.
const HEADER_TIME: Duration = Duration::from_secs(5);
/// Largest header, and largest stretch that is buffered.
const HEADER_BYTES: usize = 16 * 1024;
/// Most header fields.
const HEADER_FIELDS: usize = 64;
/// A write must make progress within this time.
const WRITE_TIME: Duration = Duration::from_secs(20);
/// After the stop signal, answers under way have this long.
const LAST_WORDS: Duration = Duration::from_secs(2);

/// Why the agent does not listen.
#[derive(Debug, thiserror::Error)]
pub enum HttpError {
    /// The address cannot be had.
    #[error("cannot listen on `{address}`: {why}; choose another address with `--listen` or `[http] listen`")]
    Bind {
        /// Which.
        address: SocketAddr,
        /// What the system said.
        why: io::Error,
    },
    /// Nobody uninvited may come in.
    #[error(transparent)]
    Unsafe(#[from] Refusal),
    /// TLS was asked for and cannot be had.
    #[error("TLS cannot be served: {0}")]
    Tls(#[from] TlsError),
}

/// An open door: the address is taken, nobody is served yet.
pub struct Door {
    listener: std::net::TcpListener,
    address: SocketAddr,
    tls: Option<(TlsAcceptor, String)>,
}

impl std::fmt::Debug for Door {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Door").field("address", &self.address).field("tls", &self.tls.is_some()).finish()
    }
}

impl Door {
    /// Takes the address of `settings`, once it is sure that nobody uninvited can come in; `state_dir` holds the tokens, the
    /// paired browsers and the certificate.
    ///
    /// # Errors
    /// When listening there would be unsafe, the address is taken or not this machine's, or there is no certificate.
    pub fn open(settings: &HttpSettings, state_dir: &Path, clock: &SharedClock) -> Result<Door, HttpError> {
        let now = clock.now().wall;
        may_listen(settings, state_dir, now)?;
        let tls = if settings.tls {
            let c = Certificate::ready(settings, state_dir, now)?;
            Some((c.acceptor()?, c.fingerprint()))
        } else {
            None
        };
        let bind = |e| HttpError::Bind { address: settings.listen, why: e };
        let listener = std::net::TcpListener::bind(settings.listen).map_err(bind)?;
        listener.set_nonblocking(true).map_err(bind)?;
        let address = listener.local_addr().map_err(bind)?;
        Ok(Door { listener, address, tls })
    }

    /// The address that was taken (the port is the system's choice when `0` was asked for).
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// SHA-256 fingerprint of the certificate, when TLS is served.
    pub fn fingerprint(&self) -> Option<&str> {
        self.tls.as_ref().map(|(_, f)| f.as_str())
    }

    /// Serves until `stop` is over, then ends event streams, lets answers under way finish for two seconds, and returns.
    ///
    /// # Errors
    /// When the listening socket cannot be used.
    pub async fn serve(self, serving: Serving, stop: impl Future<Output = ()> + Send) -> Result<(), HttpError> {
        let address = self.address;
        let tls = self.tls.map(|(t, _)| t);
        let listener = TcpListener::from_std(self.listener).map_err(|why| HttpError::Bind { address, why })?;
        let (say_stop, stopped) = watch::channel(false);
        let app = router::router(App::new(serving, stopped.clone()));
        let permits = Arc::new(Semaphore::new(CONNECTIONS));
        let crowd = Crowd::default();
        let mut talks = JoinSet::new();
        let mut stop = std::pin::pin!(stop);
        loop {
            let (stream, peer) = tokio::select! {
                biased;
                () = &mut stop => break,
                Some(_) = talks.join_next(), if !talks.is_empty() => continue,
                got = listener.accept() => match got {
                    Ok(s) => s,
                    Err(e) => {
                        // Out of file descriptors, or a peer that was gone before it was met. Neither ends the night.
                        tracing::debug!(error = %e, "a connection could not be accepted");
                        tokio::time::sleep(Duration::from_millis(50)).await;
                        continue;
                    }
                },
            };
            let peer = SocketAddr::new(peer.ip().to_canonical(), peer.port());
            let (Ok(permit), Some(place)) = (permits.clone().try_acquire_owned(), crowd.enter(peer.ip())) else {
                talks.spawn(turn_away(stream));
                continue;
            };
            let (app, stopped, tls) = (app.clone(), stopped.clone(), tls.clone());
            talks.spawn(async move {
                let _held = (permit, place);
                let _ = stream.set_nodelay(true);
                let peer = Peer { address: peer, tls: tls.is_some() };
                let Some(tls) = tls else { return talk(stream, app, peer, stopped).await };
                if speaks_plainly(&stream).await {
                    return lead_to_tls(stream).await;
                }
                // Whoever says nothing, or something else, ends here.
                if let Ok(Ok(s)) = tokio::time::timeout(HEADER_TIME, tls.accept(Moving::new(stream, WRITE_TIME))).await
                {
                    talk(s, app, peer, stopped).await;
                }
            });
        }
        let _ = say_stop.send(true);
        let all_gone = async { while talks.join_next().await.is_some() {} };
        if tokio::time::timeout(LAST_WORDS + Duration::from_millis(500), all_gone).await.is_err() {
            talks.abort_all();
        }
        Ok(())
    }
}

/// Opens the door that the configuration names and serves until `stop` is over.
///
/// # Errors
/// As [`Door::open`] and [`Door::serve`].
pub async fn serve(serving: Serving, stop: impl Future<Output = ()> + Send) -> Result<(), HttpError> {
    let settings = serving.config.borrow().http.clone();
    Door::open(&settings, &serving.state_dir, &serving.clock)?.serve(serving, stop).await
}

async fn talk<S>(stream: S, app: axum::Router, peer: Peer, mut stopped: watch::Receiver<bool>)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let service = service_fn(move |mut request: hyper::Request<hyper::body::Incoming>| {
        request.extensions_mut().insert(peer);
        app.clone().oneshot(request.map(axum::body::Body::new))
    });
    let talk = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_TIME)
        .max_buf_size(HEADER_BYTES)
        .max_headers(HEADER_FIELDS)
        .serve_connection(TokioIo::new(Moving::new(stream, WRITE_TIME)), service);
    let mut talk = std::pin::pin!(talk);
    tokio::select! {
        _ = talk.as_mut() => return,
        _ = stopped.wait_for(|s| *s) => talk.as_mut().graceful_shutdown(),
    }
    let _ = tokio::time::timeout(LAST_WORDS, talk).await;
}

/// Whether the first byte is a letter, with which every HTTP method begins and no TLS record (RFC 8446, 5.1) does.
async fn speaks_plainly(stream: &TcpStream) -> bool {
    let mut first = [0];
    let peeked = tokio::time::timeout(HEADER_TIME, stream.peek(&mut first)).await;
    matches!(peeked, Ok(Ok(1))) && first[0].is_ascii_alphabetic()
}

/// Somebody typed the address without `https`: answers one request with the address that is meant.
async fn lead_to_tls(stream: TcpStream) {
    let service = service_fn(|request: hyper::Request<hyper::body::Incoming>| async move {
        Ok::<_, std::convert::Infallible>(by_tls(&request))
    });
    let talk = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_TIME)
        .max_buf_size(HEADER_BYTES)
        .max_headers(HEADER_FIELDS)
        .keep_alive(false)
        .serve_connection(TokioIo::new(Moving::new(stream, WRITE_TIME)), service);
    let _ = tokio::time::timeout(HEADER_TIME + LAST_WORDS, talk).await;
}

/// The answer: the same address by TLS for whoever only reads. A write, or a token that was just sent in the clear, is
/// refused aloud rather than repeated.
fn by_tls<B>(r: &hyper::Request<B>) -> Response {
    let reads = matches!(*r.method(), Method::GET | Method::HEAD);
    let host = r.headers().get(header::HOST).and_then(|h| h.to_str().ok()).and_then(|h| h.parse::<Authority>().ok());
    match host.filter(|h| reads && !h.as_str().contains('@') && !r.headers().contains_key(header::AUTHORIZATION)) {
        Some(h) => {
            let to = format!("https://{h}{}", r.uri().path_and_query().map_or("/", |p| p.as_str()));
            (StatusCode::PERMANENT_REDIRECT, [(header::LOCATION, to)]).into_response()
        }
        None => Problem::new(Kind::BadRequest, "this port speaks TLS: use `https`").into_response(),
    }
}

/// Says that there is no room, without waiting for a request.
async fn turn_away(mut stream: TcpStream) {
    const NO_ROOM: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\ncontent-type: application/problem+json\r\n\
        content-length: 110\r\nretry-after: 2\r\nconnection: close\r\n\r\n\
        {\"type\":\"/api/v1/problems#busy\",\"title\":\"too much is asked at once\",\"status\":503,\"detail\":\"close other pages\"}\n";
    let _ = tokio::time::timeout(Duration::from_secs(1), async {
        let _ = stream.write_all(NO_ROOM).await;
        let _ = stream.shutdown().await;
    })
    .await;
}

/// How many connections each address holds.
#[derive(Clone, Default)]
struct Crowd(Arc<Mutex<HashMap<IpAddr, usize>>>);

struct Place {
    crowd: Crowd,
    ip: IpAddr,
}

impl Crowd {
    fn enter(&self, ip: IpAddr) -> Option<Place> {
        let mut map = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let n = map.entry(ip).or_default();
        if *n >= CONNECTIONS_OF_ONE && !ip.is_loopback() {
            return None;
        }
        *n += 1;
        Some(Place { crowd: self.clone(), ip })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut map = self.crowd.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(n) = map.get_mut(&self.ip) {
            *n -= 1;
            if *n == 0 {
                map.remove(&self.ip);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::http::testing::{Served, body};
    use std::time::Duration;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::net::TcpStream;

    #[tokio::test]
    async fn the_summary_is_served() {
        let s = Served::start().await;
        let a = s.get("/api/v1/summary").await;
        assert!(a.starts_with("HTTP/1.1 200"), "{a}");
        let v: serde_json::Value = serde_json::from_str(body(&a)).unwrap();
        assert_eq!(v["condition"], "failed");
        assert_eq!(v["unreadable"][0]["signal"], "humidity.box");
        s.clock.advance(14_000);
        let v: serde_json::Value = serde_json::from_str(body(&s.get("/api/v1/summary").await)).unwrap();
        assert_eq!(v["age_ms"], 14_000);
        s.stop().await;
    }

    #[tokio::test]
    async fn an_open_event_stream_does_not_hold_up_the_stop() {
        let s = Served::start().await;
        let mut c = TcpStream::connect(s.address).await.unwrap();
        c.write_all(format!("GET /stream HTTP/1.1\r\nhost: {}\r\n\r\n", s.address).as_bytes()).await.unwrap();
        let mut got = String::new();
        let mut buf = [0; 4096];
        while !got.contains("event: part") {
            let n = c.read(&mut buf).await.unwrap();
            assert!(n > 0, "{got}");
            got.push_str(&String::from_utf8_lossy(&buf[..n]));
        }
        tokio::time::timeout(Duration::from_secs(5), s.stop())
            .await
            .expect("the server ends although a stream is open");
    }

    #[tokio::test]
    async fn plain_http_on_a_tls_port_is_led_to_https() {
        let s = Served::start_with(|http| http.tls = true).await;
        let a = s.raw("GET /nights?x=1 HTTP/1.1\r\nhost: field.example:7417\r\n\r\n").await;
        assert!(a.starts_with("HTTP/1.1 308"), "{a}");
        assert!(a.to_lowercase().contains("location: https://field.example:7417/nights?x=1\r\n"), "{a}");
        for wrong in [
            "POST /act HTTP/1.1\r\nhost: field.example\r\ncontent-length: 0\r\n\r\n",
            "GET /api/v1/summary HTTP/1.1\r\nhost: field.example\r\nauthorization: Bearer x\r\n\r\n",
            "GET / HTTP/1.1\r\nhost: a@b\r\n\r\n",
        ] {
            let a = s.raw(wrong).await;
            assert!(a.starts_with("HTTP/1.1 400") && !a.to_lowercase().contains("location:"), "{a}");
        }
        s.stop().await;
    }

    #[tokio::test]
    async fn an_overlong_header_is_refused() {
        let s = Served::start().await;
        let long = "a".repeat(20_000);
        let a = s.raw(&format!("GET / HTTP/1.1\r\nhost: localhost\r\nx: {long}\r\n\r\n")).await;
        assert!(a.is_empty() || a.starts_with("HTTP/1.1 431"), "{a}");
        s.stop().await;
    }
}
