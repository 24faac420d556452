//! Starts of programs, and how processes ended, as the kernel's process connector tells (`linux/cn_proc.h`): open to
//! everybody from kernel 6.6 on, to the privileged before. Where it is closed (older kernels, containers) the search alone
//! finds a restart, within its period.
//!
//! The connector tells of every process of the machine, which a busy machine starts by the hundred. So starts are listened
//! to only while a watched program is missing, and ends only on kernels that do not tell them by the pidfd.

use super::roll::Roll;
use crate::model::{Name, SignalId, Why};
use crate::probe::{Outlet, Running, Source, kernel, literal};
use rustix::io::Errno;
use rustix::net::{
    AddressFamily, RecvFlags, SendFlags, SocketFlags, SocketType, bind, netlink, recvfrom, sendto, socket_with,
};
use std::io;
use std::os::fd::OwnedFd;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::io::Interest;
use tokio::time::timeout;

/// The connector's group of process events.
const GROUP: u32 = 1;
const LISTEN: u32 = 1;
const ACKNOWLEDGED: u32 = 0;
const EXEC: u32 = 0x2;
const EXIT: u32 = 0x8000_0000;
/// Ends with a code other than zero: far fewer than all, since threads end with zero.
const NONZERO_EXIT: u32 = 0x2000_0000;

/// What is told is gathered for so long before it is looked at.
const GATHER: Duration = Duration::from_millis(20);
/// After a loss, ends are not believed to be told completely for so long.
const LOST: Duration = Duration::from_millis(200);

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
            loop {
                let wanted = roll.wanted.notified();
                if Want::now(&roll) == Want::default() {
                    wanted.await;
                    continue;
                }
                match listen(&roll).await {
                    Ok(()) => {}
                    Err(Ended::Closed(e)) => {
                        // No fault: the search does the same, only later.
                        tracing::debug!(reason = %e, "the kernel tells no starts of programs: a restart is seen by searching");
                        std::future::pending().await
                    }
                    Err(Ended::Broken(e)) => return Why::from_io("process events", &e),
                }
            }
        })
    }
}

enum Ended {
    /// Not open to us.
    Closed(io::Error),
    /// It was open.
    Broken(io::Error),
}

/// What there is to hear.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Want {
    starts: bool,
    ends: bool,
}

impl Want {
    fn now(roll: &Roll) -> Want {
        Want { starts: roll.any_missing(), ends: !ends_by_pidfd() }
    }
    fn events(self) -> u32 {
        let (starts, ends) = (if self.starts { EXEC } else { 0 }, if self.ends { NONZERO_EXIT } else { 0 });
        starts | ends
    }
}

/// Kernels from 6.15 on tell by the pidfd how a process ended.
fn ends_by_pidfd() -> bool {
    let release = rustix::system::uname();
    let mut parts =
        release.release().to_bytes().split(|c| !c.is_ascii_digit()).map_while(crate::probe::parse::unsigned);
    (parts.next().unwrap_or(0), parts.next().unwrap_or(0)) >= (6, 15)
}

/// Listens until there is nothing to hear any more, or something else.
async fn listen(roll: &Roll) -> Result<(), Ended> {
    let want = Want::now(roll);
    let (socket, chosen) = open(want.events()).await.map_err(Ended::Closed)?;
    if want.ends {
        roll.ends_told.store(true, Ordering::SeqCst);
    }
    // What began before this moment was not told.
    if roll.any_missing() {
        roll.look_everywhere();
    }
    tracing::debug!(?want, chosen, "the kernel tells of programs");
    let end = hear(roll, &socket, want).await;
    roll.ends_told.store(false, Ordering::SeqCst);
    end.map_err(Ended::Broken)
}

async fn hear(roll: &Roll, socket: &kernel::Awaited, want: Want) -> io::Result<()> {
    loop {
        let mut fresh = false;
        let wanted = roll.wanted.notified();
        if Want::now(roll) != want {
            return Ok(());
        }
        tokio::select! {
            ready = socket.readable() => drop(ready?),
            // A program has been found, or lost.
            () = wanted => continue,
        }
        // On a machine that starts many small programs, one waking serves several.
        tokio::time::sleep(GATHER).await;
        loop {
            match receive(socket) {
                Ok(Some(Some(Message::Began(pid)))) => fresh |= roll.began(pid),
                Ok(Some(Some(Message::Ended(pid, status)))) => roll.status_told(pid, status),
                Ok(Some(_)) => {}
                Ok(None) => break,
                Err(e) if e.raw_os_error() == Some(Errno::NOBUFS.raw_os_error()) => {
                    // Something was lost: what began is found by searching, what ended stays unknown.
                    roll.ends_told.store(false, Ordering::SeqCst);
                    if roll.any_missing() {
                        roll.look_everywhere();
                    }
                    tokio::time::sleep(LOST).await;
                    roll.ends_told.store(want.ends, Ordering::SeqCst);
                }
                Err(e) => return Err(e),
            }
        }
        if fresh {
            roll.search.now();
        }
    }
}

/// The socket, and whether the kernel lets us choose among events.
async fn open(events: u32) -> io::Result<(kernel::Awaited, bool)> {
    let flags = SocketFlags::NONBLOCK | SocketFlags::CLOEXEC;
    let fd = socket_with(AddressFamily::NETLINK, SocketType::DGRAM, flags, Some(netlink::CONNECTOR))?;
    bind(&fd, &netlink::SocketAddrNetlink::new(0, GROUP))?;
    let socket = kernel::awaited(Arc::new(fd))?;
    let refused = |e: u32| io::Error::from_raw_os_error(i32::try_from(e).unwrap_or(0));
    match ask(&socket, Some(events)).await? {
        Some(0) => Ok((socket, true)),
        Some(e) => Err(refused(e)),
        None => match ask(&socket, None).await? {
            Some(0) => Ok((socket, false)),
            Some(e) => Err(refused(e)),
            None => Err(io::Error::new(io::ErrorKind::TimedOut, "the connector does not answer")),
        },
    }
}

/// Sends the wish and waits a moment for its echo.
async fn ask(socket: &kernel::Awaited, choice: Option<u32>) -> io::Result<Option<u32>> {
    sendto(socket.get_ref(), &wish(choice), SendFlags::empty(), &netlink::SocketAddrNetlink::new(0, 0))?;
    let heard = async {
        loop {
            drop(socket.readable().await?);
            while let Some(m) = receive(socket)? {
                if let Some(Message::Heard(e)) = m {
                    return Ok(e);
                }
            }
        }
    };
    timeout(Duration::from_millis(200), heard).await.ok().transpose()
}

/// One datagram that waits; none if none does, and nothing in it for what is of no interest.
fn receive(socket: &kernel::Awaited) -> io::Result<Option<Option<Message>>> {
    let mut buf = [0; 256];
    let got = socket.try_io(Interest::READABLE, |s| {
        let s: &OwnedFd = s;
        Ok(recvfrom(s, &mut buf, RecvFlags::empty())?)
    });
    match got {
        // Only the kernel, which has the address zero, is believed.
        Ok((n, _, from)) => {
            let kernel = from.and_then(|a| netlink::SocketAddrNetlink::try_from(a).ok()).is_some_and(|a| a.pid() == 0);
            Ok(Some(message(&buf[..n.min(buf.len())]).filter(|_| kernel)))
        }
        Err(e) if e.kind() == io::ErrorKind::WouldBlock => Ok(None),
        Err(e) if e.kind() == io::ErrorKind::Interrupted => Ok(Some(None)),
        Err(e) => Err(e),
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

    /// Older kernels tell ends only here; newer ones can still be asked to.
    #[tokio::test]
    async fn the_kernel_tells_starts_and_ends_of_real_processes() {
        let socket = match open(EXEC | NONZERO_EXIT).await {
            Ok((socket, _)) => socket,
            Err(e) => {
                // Containers and kernels before 6.6 refuse; nothing else may go wrong here.
                let known = [1, 13, 93, 111].map(Some);
                assert!(known.contains(&e.raw_os_error()) || e.kind() == io::ErrorKind::TimedOut, "{e:?}");
                return;
            }
        };
        let mut child = std::process::Command::new("sh").args(["-c", "exit 7"]).spawn().unwrap();
        let pid = child.id();
        child.wait().unwrap();
        let (mut began, mut ended) = (false, false);
        let wait = async {
            while !(began && ended) {
                drop(socket.readable().await.unwrap());
                while let Ok(Some(m)) = receive(&socket) {
                    began |= m == Some(Message::Began(pid));
                    ended |= m == Some(Message::Ended(pid, 0x700));
                }
            }
        };
        timeout(Duration::from_secs(60), wait).await.expect("both are told");
    }

    proptest! {
        #[test]
        fn no_bytes_panic(b in proptest::collection::vec(any::<u8>(), 0..120)) {
            let _ = message(&b);
        }
    }
}
