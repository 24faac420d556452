//! A connection that cannot be held open by a peer that does not read: every write must move within a bound.
//! (What is read is bounded elsewhere: headers by the HTTP library's timer, bodies by the extractors.)

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Sleep, sleep};

/// A stream whose writes fail when they have been stuck for longer than the bound.
pub struct Moving<S> {
    inner: S,
    bound: Duration,
    stuck: Option<Pin<Box<Sleep>>>,
}

impl<S> Moving<S> {
    /// Wraps `inner`; a write that makes no progress for `bound` is an error.
    pub fn new(inner: S, bound: Duration) -> Moving<S> {
        Moving { inner, bound, stuck: None }
    }

    fn watch<T>(&mut self, cx: &mut Context<'_>, result: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if result.is_ready() {
            self.stuck = None;
            return result;
        }
        let bound = self.bound;
        let timer = self.stuck.get_or_insert_with(|| Box::pin(sleep(bound)));
        ready!(timer.as_mut().poll(cx));
        Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "the peer does not read")))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Moving<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_read(cx, buf)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Moving<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let r = Pin::new(&mut self.inner).poll_write(cx, buf);
        self.watch(cx, r)
    }
    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let r = Pin::new(&mut self.inner).poll_write_vectored(cx, bufs);
        self.watch(cx, r)
    }
    fn is_write_vectored(&self) -> bool {
        self.inner.is_write_vectored()
    }
    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let r = Pin::new(&mut self.inner).poll_flush(cx);
        self.watch(cx, r)
    }
    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let r = Pin::new(&mut self.inner).poll_shutdown(cx);
        self.watch(cx, r)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::AsyncWriteExt;

    #[tokio::test]
    async fn a_peer_that_does_not_read_is_let_go() {
        let (near, _far) = tokio::io::duplex(16);
        let mut near = Moving::new(near, Duration::from_millis(20));
        near.write_all(&[0; 16]).await.unwrap();
        let e = near.write_all(&[0; 16]).await.unwrap_err();
        assert_eq!(e.kind(), io::ErrorKind::TimedOut);
    }
}
