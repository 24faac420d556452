//! Starts of programs, and how processes ended, as the kernel's process connector tells (`linux/cn_proc.h`): open to
//! everybody from kernel 6.6 on, to the privileged before. Where it is closed (older kernels, containers) the search alone
//! finds a restart, within its period.

use super::roll::Roll;
use crate::model::{Name, SignalId, Why, WhyCode};
use crate::probe::{Outlet, Running, Source, kernel, literal};
use rustix::io::Errno;
use rustix::net::{
    AddressFamily, RecvFlags, SendFlags, SocketFlags, SocketType, bind, netlink, recvfrom, sendto, socket_with,
};
use std::os::fd::OwnedFd;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::time::timeout;

/// The connector's group of process events.
const GROUP: u32 = 1;
const LISTEN: u32 = 1;
const ACKNOWLEDGED: u32 = 0;
const EXEC: u32 = 0x2;
const EXIT: u32 = 0x8000_0000;
/// Ends with a code other than zero: far fewer than all, since threads end with zero.
const NONZERO_EXIT: u32 = 0x2000_0000;

/// Starts are gathered for so long before they are looked at: on a machine that runs many small programs, one look serves
/// several.
const GATHER: Duration = Duration::from_millis(30);

/// What one message tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Message {
    /// Our wish was heard; an error number, or zero.
    Heard(u32),
    /// This process runs a new program.
    Began(u32),
    /// This process ended, with this wait status.
    Ended(u32, i32),
}

/// Reads one datagram; none for what is of no interest or garbled. Threads other than a process's first are of no interest.
pub fn message(b: &[u8]) -> Option<Message> {
    let word = |at: usize| Some(u32::from_ne_bytes(b.get(at..at + 4)?.try_into().ok()?));
    // Behind the netlink header (16) and the connector's (20): what, processor, time (8), then the facts.
    if (word(16)?, word(20)?) != (GROUP, 1) {
        return None;
    }
    let (pid, tgid) = (word(52), word(56));
    match word(36)? {
        ACKNOWLEDGED => Some(Message::Heard(pid?)),
        EXEC => Some(Message::Began(tgid?)),
        EXIT if pid? == tgid? => Some(Message::Ended(tgid?, word(60)? as i32)),
        _ => None,
    }
}

/// The wish to be told. Kernels before 6.6 know only the short form, without a choice of events.
fn wish(choice: Option<u32>) -> Vec<u8> {
    let mut b = Vec::with_capacity(44);
    let body = if choice.is_some() { 8_u16 } else { 4 };
    let words = |b: &mut Vec<u8>, w: &[u32]| w.iter().for_each(|w| b.extend(w.to_ne_bytes()));
    words(&mut b, &[16 + 20 + u32::from(body)]);
    b.extend(3_u16.to_ne_bytes()); // NLMSG_DONE
    b.extend(0_u16.to_ne_bytes());
    words(&mut b, &[0, 0]);
    words(&mut b, &[GROUP, 1, 0, 0]);
    b.extend(body.to_ne_bytes());
    b.extend(0_u16.to_ne_bytes());
    words(&mut b, &[LISTEN]);
    words(&mut b, choice.as_slice());
    b
}

/// The source.
pub struct Starts {
    name: Name,
    roll: Arc<Roll>,
}

impl Starts {
    /// Tells the roll.
    pub fn new(roll: Arc<Roll>) -> Starts {
        Starts { name: literal("probe.program-starts"), roll }
    }
}

impl Source for Starts {
    fn name(&self) -> &Name {
        &self.name
    }
    fn signals(&self) -> Vec<SignalId> {
        vec![]
    }
    fn run(&mut self, _out: Outlet) -> Running<'_> {
        let roll = self.roll.clone();
        Box::pin(async move {
            match listen(&roll).await {
                Err(closed) => {
                    // No fault: the search does the same, only later.
                    tracing::debug!(reason = %closed, "the kernel tells no starts of programs: a restart is seen by searching");
                    std::future::pending().await
                }
                Ok(why) => why,
            }
        })
    }
}

async fn listen(roll: &Roll) -> Result<Why, std::io::Error> {
    let flags = SocketFlags::NONBLOCK | SocketFlags::CLOEXEC;
    let fd = socket_with(AddressFamily::NETLINK, SocketType::DGRAM, flags, Some(netlink::CONNECTOR))?;
    bind(&fd, &netlink::SocketAddrNetlink::new(0, GROUP))?;
    let socket = kernel::awaited(Arc::new(fd))?;
    let chosen = match ask(&socket, Some(EXEC | NONZERO_EXIT)).await? {
        Some(0) => true,
        Some(e) => return Err(std::io::Error::from_raw_os_error(e as i32)),
        None => match ask(&socket, None).await? {
            Some(0) => false,
            Some(e) => return Err(std::io::Error::from_raw_os_error(e as i32)),
            None => return Err(std::io::Error::new(std::io::ErrorKind::TimedOut, "the connector does not answer")),
        },
    };
    roll.ends_told.store(true, Ordering::SeqCst);
    // What began before this moment was not told.
    if roll.any_missing() {
        roll.look_everywhere();
    }
    tracing::debug!(chosen, "the kernel tells starts of programs");
    let mut hasten = None;
    let why = loop {
        let told = match hasten {
            Some(when) => match tokio::time::timeout_at(when, next(&socket)).await {
                Ok(told) => told,
                Err(_) => {
                    hasten = None;
                    roll.search.now();
                    continue;
                }
            },
            None => next(&socket).await,
        };
        match told {
            Ok(Some(Message::Began(pid))) => {
                if roll.began(pid) && hasten.is_none() {
                    hasten = Some(tokio::time::Instant::now() + GATHER);
                }
            }
            Ok(Some(Message::Ended(pid, status))) => roll.status_told(pid, status),
            Ok(_) => {}
            Err(e) if e.raw_os_error() == Some(Errno::NOBUFS.raw_os_error()) => {
                // Something was lost: what began is found by searching, what ended stays unknown.
                roll.ends_told.store(false, Ordering::SeqCst);
                if roll.any_missing() {
                    roll.look_everywhere();
                }
                tokio::time::sleep(Duration::from_millis(200)).await;
                roll.ends_told.store(true, Ordering::SeqCst);
            }
            Err(e) => break Why::from_io("process events", &e),
        }
    };
    roll.ends_told.store(false, Ordering::SeqCst);
    Ok(Why::new(WhyCode::Failed, why.text))
}

/// Sends the wish and waits a moment for its echo.
async fn ask(socket: &kernel::Awaited, choice: Option<u32>) -> std::io::Result<Option<u32>> {
    sendto(socket.get_ref(), &wish(choice), SendFlags::empty(), &netlink::SocketAddrNetlink::new(0, 0))?;
    let heard = async {
        loop {
            if let Some(Message::Heard(e)) = next(socket).await? {
                return Ok(e);
            }
        }
    };
    timeout(Duration::from_millis(200), heard).await.ok().transpose()
}

async fn next(socket: &kernel::Awaited) -> std::io::Result<Option<Message>> {
    let mut buf = [0; 256];
    loop {
        let mut ready = socket.readable().await?;
        let got = ready.try_io(|s| {
            let s: &OwnedFd = s.get_ref();
            Ok(recvfrom(s, &mut buf, RecvFlags::empty())?)
        });
        match got {
            // Only the kernel, which has the address zero, is believed.
            Ok(Ok((n, _, from))) => {
                let kernel =
                    from.and_then(|a| netlink::SocketAddrNetlink::try_from(a).ok()).is_some_and(|a| a.pid() == 0);
                return Ok(message(&buf[..n.min(buf.len())]).filter(|_| kernel));
            }
            Ok(Err(e)) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Ok(Err(e)) => return Err(e),
            Err(_would_block) => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn event(what: u32, facts: &[u32]) -> Vec<u8> {
        let mut b = vec![0; 16];
        for w in [1, 1, 0, 0, 0, what, 0, 0, 0].iter().chain(facts) {
            b.extend(u32::to_ne_bytes(*w));
        }
        b
    }

    #[test]
    fn messages_are_read_by_the_layout_of_the_header_file() {
        assert_eq!(message(&event(EXEC, &[7, 7])), Some(Message::Began(7)));
        assert_eq!(message(&event(EXIT, &[7, 7, 0x700, 17])), Some(Message::Ended(7, 0x700)));
        assert_eq!(message(&event(EXIT, &[8, 7, 0, 17])), None, "a thread");
        assert_eq!(message(&event(0, &[1])), Some(Message::Heard(1)));
        assert_eq!(message(&event(EXIT, &[7])), None);
        assert_eq!((wish(Some(2)).len(), wish(None).len()), (44, 40));
    }

    proptest! {
        #[test]
        fn no_bytes_panic(b in proptest::collection::vec(any::<u8>(), 0..120)) {
            let _ = message(&b);
        }
    }
}
