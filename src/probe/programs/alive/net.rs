//! Signs of life that are asked for over the network: a TCP connect with an expected answer, an HTTP answer. A bare connect
//! proves nothing: the kernel goes on accepting for a stopped program.

use super::Told;
use crate::clock::SharedClock;
use crate::config::model::{AliveKind, AliveSign};
use crate::model::{Name, SignalId, Span, Why, WhyCode};
use crate::probe::beat::Beat;
use crate::probe::programs::roll::Roll;
use crate::probe::reach::{self, Host, Url};
use crate::probe::{Outlet, Running, Source, literal};
use futures_util::StreamExt;
use futures_util::stream::FuturesUnordered;
use std::io;
use std::sync::Arc;
use std::time::Duration;

/// The source.
pub struct Askers {
    name: Name,
    roll: Arc<Roll>,
    clock: SharedClock,
}

impl Askers {
    /// Asks for the signs of the roll's programs; none if nothing is to be asked.
    pub fn new(roll: Arc<Roll>, clock: SharedClock) -> Option<Askers> {
        let any = roll.entries().iter().any(|e| e.signs.iter().any(|s| Way::new(&s.set).is_some()));
        any.then(|| Askers { name: literal("probe.signs-of-life"), roll, clock })
    }
}

impl Source for Askers {
    fn name(&self) -> &Name {
        &self.name
    }
    /// None of its own: the figures tell the age of the last sign.
    fn signals(&self) -> Vec<SignalId> {
        vec![]
    }
    fn run(&mut self, out: Outlet) -> Running<'_> {
        let (roll, clock) = (&self.roll, &self.clock);
        Box::pin(async move {
            let mut all = FuturesUnordered::new();
            {
                let entries = roll.entries();
                for (i, e) in entries.iter().enumerate() {
                    for (k, s) in e.signs.iter().enumerate() {
                        if let Some(way) = Way::new(&s.set) {
                            all.push(ask(roll, clock, out.clone(), (i, k), s.set.clone(), way));
                        }
                    }
                }
            }
            all.next().await;
            Why::new(WhyCode::Failed, "asking for signs of life came to an end")
        })
    }
}

/// How a sign is asked for.
enum Way {
    Tcp {
        host: Host,
        port: u16,
        send: Option<Vec<u8>>,
        expect: Option<Vec<u8>>,
    },
    Http {
        url: Url,
        expect: Option<String>,
    },
    /// The configuration names no place; the check refuses it, so this is only a second guard.
    Nowhere,
}

impl Way {
    fn new(set: &AliveSign) -> Option<Way> {
        match &set.kind {
            AliveKind::Tcp { address, send, expect } => Some(match reach::host_and_port(address) {
                Some((host, port)) => Way::Tcp { host, port, send: send.clone(), expect: expect.clone() },
                None => Way::Nowhere,
            }),
            AliveKind::Http { url, expect } => Some(match reach::url(url) {
                Some(url) => Way::Http { url, expect: expect.clone() },
                None => Way::Nowhere,
            }),
            AliveKind::FileGrows { .. } | AliveKind::CpuAdvances { .. } => None,
        }
    }

    async fn once(&mut self, clock: &SharedClock, deadline: Duration) -> io::Result<()> {
        let now = clock.now().boot;
        match self {
            Way::Tcp { host, port, send, expect } => {
                reach::answers(host, *port, send.as_deref(), expect.as_deref(), now, deadline).await
            }
            Way::Http { url, expect } => {
                let (status, body) = reach::http(url, now, deadline).await?;
                if status >= 500 {
                    return Err(io::Error::other(format!("status {status}")));
                }
                match expect {
                    Some(want) if !body.windows(want.len().max(1)).any(|w| w == want.as_bytes()) => {
                        Err(io::Error::new(io::ErrorKind::InvalidData, "another answer than expected"))
                    }
                    _ => Ok(()),
                }
            }
            Way::Nowhere => Err(io::Error::new(io::ErrorKind::InvalidInput, "no such place")),
        }
    }
}

/// Asks again and again while the program runs, and says at once when the limit is over.
async fn ask(roll: &Roll, clock: &SharedClock, out: Outlet, (i, k): (usize, usize), set: AliveSign, mut way: Way) {
    let every = set.every.max(Span(100)).to_std();
    // One try at a time: it may take until the next is due, and no longer than the limit itself.
    let patience = every.max(Duration::from_millis(250)).min(set.within.max(Span(100)).to_std());
    let mut tick = Beat::new(every);
    let tell = |change: &dyn Fn(&mut super::Sign) -> Option<Told>| {
        let event = {
            let mut all = roll.entries();
            let Some(e) = all.get_mut(i) else { return };
            let told = e.signs.get_mut(k).and_then(change);
            told.map(|t| t.event(&e.program.name, &e.program.title))
        };
        if let Some(e) = event {
            out.event(e);
        }
    };
    loop {
        tick.tick().await;
        // A program that does not run is not asked: nothing would answer, and its end is known anyway.
        let Some(id) = roll.current(i) else { continue };
        let answer = {
            let mut once = std::pin::pin!(way.once(clock, patience));
            let left = roll.entries().get(i).and_then(|e| e.signs.get(k)?.left(clock.now()));
            match left {
                // The limit may be over in the middle of a try; a look that failed before it is enough to say so.
                Some(left) => match tokio::time::timeout(left.to_std(), &mut once).await {
                    Ok(answer) => answer,
                    Err(_) => {
                        tell(&|s| s.judge(clock.now()));
                        once.await
                    }
                },
                None => once.await,
            }
        };
        if roll.current(i) != Some(id) {
            continue;
        }
        match answer {
            Ok(()) => tell(&|s| s.seen(clock.now())),
            Err(e) => {
                tracing::debug!(program = i, error = %e, "no sign of life");
                tell(&|s| s.failed(clock.now()));
            }
        }
    }
}
