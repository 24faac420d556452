//! Words that leave the machine: an alarm as JSON to a command, by HTTP or to an MQTT topic. Each is tried again with back-off until
//! it has gone out or is too old to be of use, so it arrives at least once while the agent runs; a receiver tells repeats
//! apart by `seq`.

use crate::clock::SharedClock;
use crate::config::model::{Notice as Way, NoticeBy};
use crate::model::outcome::Notice;
use crate::model::{Event, EventKind, Span, Stamp};
use crate::probe::Outlet;
use http_body_util::{BodyExt, Full, Limited};
use hyper::Request;
use hyper::body::Bytes;
use hyper_util::rt::TokioIo;
use std::process::Stdio;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, AsyncWriteExt};
use tokio::sync::mpsc;

/// Notices that may wait for one way. More than these are dropped, oldest ways first told of as an event.
const QUEUE: usize = 256;
/// One try.
const PATIENCE: Duration = Duration::from_secs(20);
/// Shortest and longest wait between two tries.
const BACK_OFF: (Duration, Duration) = (Duration::from_secs(2), Duration::from_secs(120));
/// A notice that could not leave for so long is of no use to a sleeper any more; the record has it all the same.
const TOO_OLD: Span = Span::hours(12);

/// The configured ways out, each with a task and a bounded queue of its own, so that a dead one holds up no other.
#[derive(Default)]
pub struct Posts {
    posts: Vec<(Way, mpsc::Sender<Arc<str>>)>,
    outlet: Option<Outlet>,
}

impl Posts {
    /// Must be called on a tokio runtime. What comes of each sending arrives through `outlet` as an event.
    pub fn new(ways: &[Way], clock: SharedClock, outlet: Outlet) -> Posts {
        let posts = ways.iter().map(|w| {
            let (tx, rx) = mpsc::channel(QUEUE);
            tokio::spawn(carry(w.clone(), rx, clock.clone(), outlet.clone()));
            (w.clone(), tx)
        });
        Posts { posts: posts.collect(), outlet: Some(outlet) }
    }

    /// Hands a notice to every way that wants it. Never waits.
    pub fn send(&self, field: &str, n: &Notice) {
        let wanted = self.posts.iter().filter(|(w, _)| n.priority >= w.at_least && (n.wakes || !w.only_wakes));
        let text: Arc<str> = body(field, n).into();
        for (way, tx) in wanted {
            if tx.try_send(text.clone()).is_err()
                && let Some(out) = &self.outlet
            {
                out.event(told(way, n.at, false, "too many notices wait already; this one was dropped"));
            }
        }
    }
}

/// The JSON that is sent. Stable keys; more may be added.
pub fn body(field: &str, n: &Notice) -> String {
    let mut v = serde_json::to_value(n).unwrap_or_default();
    if let Some(map) = v.as_object_mut() {
        map.insert("field".into(), field.into());
        map.insert("at".into(), n.at.wall.0.into());
    }
    v.to_string()
}

async fn carry(way: Way, mut rx: mpsc::Receiver<Arc<str>>, clock: SharedClock, outlet: Outlet) {
    while let Some(text) = rx.recv().await {
        let first = clock.now();
        let (mut wait, mut tries) = (BACK_OFF.0, 0_u32);
        loop {
            tries += 1;
            let tried = tokio::time::timeout(PATIENCE, once(&way.by, &text)).await;
            let why = match tried {
                Ok(Ok(())) => break outlet.event(told(&way, clock.now(), true, &format!("sent at try {tries}"))),
                Ok(Err(why)) => why,
                Err(_) => "no end within 20 s".into(),
            };
            if tries == 1 {
                // Said once when it begins to fail, and once when it is over: not at every try.
                tracing::warn!(notice = %way.name, %why, "a notice could not leave; trying again");
                outlet.event(told(&way, clock.now(), false, &why));
            }
            if clock.now().boot - first.boot > TOO_OLD {
                break outlet.event(told(&way, clock.now(), false, &format!("given up after {TOO_OLD}: {why}")));
            }
            tokio::time::sleep(wait).await;
            wait = (wait * 2).min(BACK_OFF.1);
        }
    }
}

fn told(way: &Way, at: Stamp, ok: bool, what: &str) -> Event {
    let text = format!("notice `{}`: {what}", way.name.own());
    Event::new(at, way.name.clone(), EventKind::Sent, text).with("to", way.name.as_str()).with("ok", ok)
}

async fn once(by: &NoticeBy, text: &str) -> Result<(), String> {
    match by {
        NoticeBy::Command(arguments) => command(arguments, text).await,
        NoticeBy::Webhook(url) => post(url, text).await,
        NoticeBy::Mqtt { broker, topic } => publish(broker, topic, text).await,
    }
}

async fn command(arguments: &[String], text: &str) -> Result<(), String> {
    let (program, rest) = arguments.split_first().ok_or("no command is configured")?;
    let mut child = tokio::process::Command::new(program)
        .args(rest)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .kill_on_drop(true)
        .spawn()
        .map_err(|e| format!("`{program}` could not be started: {e}"))?;
    if let Some(mut stdin) = child.stdin.take() {
        // A command that reads nothing closes the pipe; that is its own affair.
        let _ = stdin.write_all(text.as_bytes()).await;
    }
    let status = child.wait().await.map_err(|e| format!("`{program}`: {e}"))?;
    if status.success() { Ok(()) } else { Err(format!("`{program}` failed ({status})")) }
}

async fn post(url: &str, text: &str) -> Result<(), String> {
    let uri: hyper::Uri = url.parse().map_err(|e| format!("`{url}` is no address: {e}"))?;
    let host = uri.host().ok_or_else(|| format!("`{url}` has no host"))?.trim_matches(['[', ']']).to_string();
    let tls = uri.scheme_str() == Some("https");
    let port = uri.port_u16().unwrap_or(if tls { 443 } else { 80 });
    let stream = tokio::net::TcpStream::connect((host.as_str(), port)).await.map_err(|e| format!("`{url}`: {e}"))?;
    if !tls {
        return talk(stream, &uri, text).await;
    }
    let mut roots = rustls::RootCertStore::empty();
    roots.extend(webpki_roots::TLS_SERVER_ROOTS.iter().cloned());
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| format!("no TLS: {e}"))?
        .with_root_certificates(roots)
        .with_no_client_auth();
    let name = rustls_pki_types::ServerName::try_from(host).map_err(|e| format!("`{url}`: {e}"))?;
    let stream = tokio_rustls::TlsConnector::from(Arc::new(config))
        .connect(name, stream)
        .await
        .map_err(|e| format!("`{url}`: {e}"))?;
    talk(stream, &uri, text).await
}

async fn talk(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    uri: &hyper::Uri,
    text: &str,
) -> Result<(), String> {
    let (mut send, connection) =
        hyper::client::conn::http1::handshake(TokioIo::new(stream)).await.map_err(|e| e.to_string())?;
    let connection = tokio::spawn(connection);
    let request = Request::post(uri.path_and_query().map_or("/", |p| p.as_str()))
        .header("host", uri.authority().map_or("", |a| a.as_str()))
        .header("content-type", "application/json")
        .header("connection", "close")
        .body(Full::new(Bytes::copy_from_slice(text.as_bytes())))
        .map_err(|e| e.to_string())?;
    let answer = send.send_request(request).await.map_err(|e| e.to_string());
    let ended = match answer {
        Err(e) => Err(e),
        Ok(a) if !a.status().is_success() => Err(format!("the receiver answered {}", a.status())),
        // Read and thrown away, within a bound.
        Ok(a) => Limited::new(a.into_body(), 65_536).collect().await.map(|_| ()).or(Ok(())),
    };
    connection.abort();
    ended
}

async fn publish(broker: &str, topic: &str, text: &str) -> Result<(), String> {
    use rumqttc::{AsyncClient, Event, Incoming, MqttOptions, QoS};
    let (host, port) = match broker.rsplit_once(':') {
        Some((h, p)) => (h.trim_matches(['[', ']']), p.parse().map_err(|_| format!("`{broker}` is no host:port"))?),
        None => (broker, 1883),
    };
    let mut options = MqttOptions::new(format!("tilldawn-out-{}", std::process::id()), host, port);
    options.set_keep_alive(Duration::from_secs(15));
    let (client, mut events) = AsyncClient::new(options, 4);
    client.publish(topic, QoS::AtLeastOnce, false, text.as_bytes()).await.map_err(|e| e.to_string())?;
    loop {
        match events.poll().await {
            // The broker has it only once it says so.
            Ok(Event::Incoming(Incoming::PubAck(_))) => {
                let _ = client.disconnect().await;
                return Ok(());
            }
            Ok(_) => {}
            Err(e) => return Err(format!("broker `{broker}`: {e}")),
        }
    }
}

#[cfg(all(test, unix))]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::clock::SystemClock;
    use crate::model::{Name, Priority};
    use crate::probe::Observation;
    use std::io::{Read, Write};

    fn way(name: &str, by: NoticeBy, at_least: Priority, only_wakes: bool) -> Way {
        Way { name: Name::new(name).unwrap(), at_least, only_wakes, by }
    }

    async fn sent(rx: &mut mpsc::Receiver<Observation>) -> Vec<(String, bool)> {
        match rx.recv().await.unwrap() {
            Observation::Events(e) => e.iter().map(|e| (e.thing.to_string(), e.detail["ok"] == true)).collect(),
            other => panic!("{other:?}"),
        }
    }

    fn notice(priority: Priority, wakes: bool) -> Notice {
        let v = serde_json::json!({"at": {"wall": 1000, "boot": 1}, "kind": "raised", "seq": 7, "alarm": 3, "rule": "rule.a-b",
            "thing": "program.mount", "priority": priority, "wakes": wakes, "text": "the mount program ended"});
        serde_json::from_value(v).unwrap()
    }

    #[tokio::test]
    async fn each_way_gets_what_it_wants_as_json() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("got");
        let script = format!("cat > {}", file.display());
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}/alarms", listener.local_addr().unwrap());
        let receiver = std::thread::spawn(move || {
            let (mut c, _) = listener.accept().unwrap();
            let mut got = vec![];
            let mut b = [0; 4096];
            while !String::from_utf8_lossy(&got).ends_with('}') {
                let n = c.read(&mut b).unwrap();
                got.extend_from_slice(&b[..n]);
            }
            c.write_all(b"HTTP/1.1 204 No Content\r\n\r\n").unwrap();
            String::from_utf8_lossy(&got).into_owned()
        });
        let ways = [
            way("notice.bell", NoticeBy::Command(vec!["/bin/sh".into(), "-c".into(), script]), Priority::High, true),
            way("notice.house", NoticeBy::Webhook(url), Priority::Low, false),
        ];
        let (tx, mut rx) = mpsc::channel(16);
        let posts = Posts::new(&ways, Arc::new(SystemClock), Outlet::new(tx));
        posts.send("orchard pier", &notice(Priority::Low, false));
        assert_eq!(sent(&mut rx).await, [("notice.house".into(), true)]);
        let got = receiver.join().unwrap();
        assert!(got.starts_with("POST /alarms HTTP/1.1\r\n") && got.contains("the mount program ended"), "{got}");
        posts.send("orchard pier", &notice(Priority::High, true));
        // The receiver is gone now, so the house's fails; the bell's is written.
        let mut all = vec![];
        while all.len() < 2 {
            all.extend(sent(&mut rx).await);
        }
        all.sort();
        assert_eq!(all, [("notice.bell".into(), true), ("notice.house".into(), false)]);
        let json: serde_json::Value = serde_json::from_slice(&std::fs::read(&file).unwrap()).unwrap();
        assert_eq!((json["field"].as_str(), json["seq"].as_i64()), (Some("orchard pier"), Some(7)));
    }
}
