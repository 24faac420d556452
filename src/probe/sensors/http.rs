//! A number out of an HTTP answer.

use super::number::{self, LONGEST};
use super::{Raw, RawSource};
use crate::model::{Span, Stamp, Why, WhyCode};
use http_body_util::{BodyExt, Empty, Limited};
use hyper::Request;
use hyper::body::Bytes;
use hyper_util::rt::TokioIo;
use std::time::Duration;

/// A URL whose answer holds the number.
pub struct Answer {
    url: String,
    pointer: Option<String>,
    deadline: Duration,
}

impl Answer {
    /// `http://host:port/path`; the whole exchange within `deadline`.
    pub fn new(url: String, pointer: Option<String>, deadline: Span) -> Answer {
        Answer { url, pointer, deadline: deadline.to_std() }
    }
}

impl RawSource for Answer {
    fn read(&mut self, _at: Stamp) -> Result<Raw, Why> {
        let url = &self.url;
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|e| Why::from_io("a runtime for the request", &e))?;
        let text = runtime.block_on(async {
            tokio::time::timeout(self.deadline, get(url)).await.unwrap_or_else(|_| {
                Err(Why::new(WhyCode::TimedOut, format!("`{url}`: no answer within {}", Span::from(self.deadline))))
            })
        });
        // A name look-up may still hang in a thread of the runtime.
        runtime.shutdown_background();
        Ok(Raw { number: number::number_in(&text?, self.pointer.as_deref())?, age: Span::ZERO })
    }
}

/// One GET.
async fn get(url: &str) -> Result<Bytes, Why> {
    let failed = |what: String| Why::new(WhyCode::Failed, format!("`{url}`: {what}"));
    let uri: hyper::Uri = url.parse().map_err(|e| failed(format!("no address: {e}")))?;
    if uri.scheme_str() != Some("http") {
        return Err(failed("only http:// is read".into()));
    }
    let host = uri.host().ok_or_else(|| failed("no host in it".into()))?;
    let port = uri.port_u16().unwrap_or(80);
    let stream = tokio::net::TcpStream::connect((host.trim_matches(['[', ']']), port))
        .await
        .map_err(|e| Why::from_io(&format!("`{url}`"), &e))?;
    let (mut send, talk) =
        hyper::client::conn::http1::handshake(TokioIo::new(stream)).await.map_err(|e| failed(e.to_string()))?;
    tokio::spawn(talk);
    let path = uri.path_and_query().map_or("/", |p| p.as_str());
    let authority = uri.authority().map_or(host, |a| a.as_str());
    let request = Request::get(path)
        .header("host", authority)
        .header("accept", "application/json, text/plain, */*")
        .header("connection", "close")
        .body(Empty::<Bytes>::new())
        .map_err(|e| failed(e.to_string()))?;
    let answer = send.send_request(request).await.map_err(|e| failed(e.to_string()))?;
    if !answer.status().is_success() {
        return Err(failed(format!("answered {}", answer.status())));
    }
    let body = Limited::new(answer.into_body(), LONGEST).collect().await.map_err(|e| failed(e.to_string()))?;
    Ok(body.to_bytes())
}
