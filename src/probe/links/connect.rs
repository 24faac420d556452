//! One TCP connect, with as few calls as it can be done with: a place nearby answers within the call itself, and only what
//! takes longer is handed to the runtime.

use std::io;
use std::net::SocketAddr;
use tokio::net::TcpStream;

/// Connects and lets go again.
///
/// # Errors
/// What the kernel says; refused is an error too.
#[cfg(target_os = "linux")]
pub async fn touch(to: SocketAddr) -> io::Result<()> {
    use rustix::io::Errno;
    use rustix::net::{AddressFamily, SocketFlags, SocketType, connect, socket_with, sockopt};
    let family = if to.is_ipv4() { AddressFamily::INET } else { AddressFamily::INET6 };
    let s = socket_with(family, SocketType::STREAM, SocketFlags::NONBLOCK | SocketFlags::CLOEXEC, None)?;
    // Asked a second time, the kernel says at once whether the first call has got through meanwhile (connect(2)).
    match connect(&s, &to) {
        Err(Errno::INPROGRESS) => match connect(&s, &to) {
            Ok(()) | Err(Errno::ISCONN) => return Ok(()),
            Err(Errno::ALREADY | Errno::INPROGRESS) => {}
            Err(e) => return Err(e.into()),
        },
        done => return Ok(done?),
    }
    let stream = TcpStream::from_std(std::net::TcpStream::from(s))?;
    stream.writable().await?;
    sockopt::socket_error(&stream)?.map_err(io::Error::from)
}

/// Connects and lets go again.
///
/// # Errors
/// What the system says; refused is an error too.
#[cfg(not(target_os = "linux"))]
pub async fn touch(to: SocketAddr) -> io::Result<()> {
    TcpStream::connect(to).await.map(drop)
}

#[cfg(test)]
#[cfg(target_os = "linux")]
mod tests {
    use super::*;
    use std::net::TcpListener;

    #[tokio::test]
    async fn a_listener_is_touched_and_a_closed_port_refuses() {
        for local in ["127.0.0.1:0", "[::1]:0"] {
            let Ok(l) = TcpListener::bind(local) else {
                assert!(local.starts_with('['), "version 4 is everywhere");
                continue;
            };
            let to = l.local_addr().unwrap();
            touch(to).await.unwrap();
            drop(l);
            assert_eq!(touch(to).await.unwrap_err().kind(), io::ErrorKind::ConnectionRefused);
        }
    }

    #[tokio::test]
    async fn a_place_that_does_not_answer_is_waited_for() {
        // A listener whose queue is full answers nobody: the kernel drops what comes.
        let l = socket_with_short_queue();
        let to = l.local_addr().unwrap();
        let _full: Vec<_> = (0..8)
            .map_while(|_| std::net::TcpStream::connect_timeout(&to, std::time::Duration::from_millis(300)).ok())
            .collect();
        let waited = tokio::time::timeout(std::time::Duration::from_millis(300), touch(to)).await;
        assert!(waited.is_err(), "still under way: {waited:?}");
    }

    fn socket_with_short_queue() -> TcpListener {
        use rustix::net::{AddressFamily, SocketType, bind, listen, socket};
        let s = socket(AddressFamily::INET, SocketType::STREAM, None).unwrap();
        bind(&s, &"127.0.0.1:0".parse::<SocketAddr>().unwrap()).unwrap();
        listen(&s, 0).unwrap();
        TcpListener::from(s)
    }
}
