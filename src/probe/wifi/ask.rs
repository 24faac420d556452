//! Asks the kernel about radio, and hears what it tells of its own accord (nl80211 over generic netlink).

use super::Seen;
use super::decode::{self, Air};
use crate::model::{Why, WhyCode};
use futures_util::{Stream, StreamExt, TryStreamExt};
use std::pin::Pin;
use wl_nl80211::packet_core::{ErrorMessage, NLM_F_REQUEST, NetlinkMessage, NetlinkPayload};
use wl_nl80211::packet_generic::GenlMessage;
use wl_nl80211::{Nl80211Attr, Nl80211Command, Nl80211Error, Nl80211Handle, Nl80211Message, Nl80211MulticastGroup};

/// The kernel's two sockets: one for questions, one on which it tells.
pub struct Kernel {
    /// For questions.
    pub handle: Nl80211Handle,
    /// What it tells.
    pub events: Pin<Box<dyn Stream<Item = Nl80211Message> + Send>>,
    /// Must run for either to work; ends when a socket is closed.
    pub talk: Pin<Box<dyn Future<Output = ()> + Send>>,
}

/// Said where there is no radio in the kernel.
fn none(e: &std::io::Error) -> Why {
    match e.kind() {
        std::io::ErrorKind::PermissionDenied => Why::from_io("radio messages of the kernel", e),
        _ => Why::new(WhyCode::Unsupported, "this kernel has no nl80211: no wireless driver is loaded"),
    }
}

/// The sockets are closed.
pub fn ended() -> Why {
    Why::new(WhyCode::Failed, "the kernel closed the socket of radio messages")
}

impl Kernel {
    /// Opens them.
    ///
    /// # Errors
    /// The kernel has no nl80211, or does not let us ask.
    pub fn open() -> Result<Kernel, Why> {
        let (told, _, messages) =
            wl_nl80211::new_multicast_connection(&[Nl80211MulticastGroup::Mlme]).map_err(|e| none(&e))?;
        let (asked, handle, _) = wl_nl80211::new_connection().map_err(|e| none(&e))?;
        let events = messages.filter_map(|(m, _)| {
            let parsed = match m.payload {
                NetlinkPayload::InnerMessage(raw) => raw.parse_into_genlmsg::<Nl80211Message>().ok(),
                _ => None,
            };
            std::future::ready(parsed.map(|g| g.payload))
        });
        let talk = async move {
            tokio::select! {
                () = told => {}
                () = asked => {}
            }
        };
        Ok(Kernel { handle, events: Box::pin(events), talk: Box::pin(talk) })
    }
}

/// The reason behind the kernel's error number.
fn refused(e: &ErrorMessage) -> Why {
    let e = e.to_io();
    // Numbers of the kernel's `errno.h`, the same on every Linux.
    match e.raw_os_error() {
        Some(19 | 6 | 2) => Why::new(WhyCode::Absent, "this interface has no radio"),
        Some(95) => Why::new(WhyCode::Unsupported, "the driver does not tell this"),
        _ => Why::from_io("the radio's state", &e),
    }
}

fn failed(e: Nl80211Error) -> Why {
    match e {
        Nl80211Error::NetlinkError(e) => refused(&e),
        Nl80211Error::RequestFailed(_) => none(&std::io::ErrorKind::NotFound.into()),
        other => Why::new(WhyCode::Failed, format!("the radio's state: {other}")),
    }
}

/// Everything about one interface now.
///
/// # Errors
/// It has no radio, or the kernel does not tell.
pub async fn seen(handle: &Nl80211Handle, index: u32) -> Result<Seen, Why> {
    let mut air = Air::default();
    let mut about = Box::pin(handle.interface().get(vec![Nl80211Attr::IfIndex(index)]).execute().await);
    while let Some(m) = about.try_next().await.map_err(failed)? {
        air = decode::air(&m.payload);
    }
    let mut stations = vec![];
    let mut dump = Box::pin(handle.station().dump(index).execute().await);
    while let Some(m) = dump.try_next().await.map_err(failed)? {
        stations.extend(decode::station(&m.payload));
    }
    Ok(Seen { air, station: decode::together(stations), power_saving: power_saving(handle.clone(), index).await })
}

async fn power_saving(mut handle: Nl80211Handle, index: u32) -> Result<bool, Why> {
    let question = Nl80211Message { cmd: Nl80211Command::GetPowerSave, attributes: vec![Nl80211Attr::IfIndex(index)] };
    let mut message = NetlinkMessage::from(GenlMessage::from_payload(question));
    message.header.flags = NLM_F_REQUEST;
    let mut answers = Box::pin(handle.request(message).await.map_err(failed)?);
    while let Some(answer) = answers.next().await {
        match answer.map_err(|e| Why::new(WhyCode::Garbled, format!("the radio's power saving: {e}")))?.payload {
            NetlinkPayload::InnerMessage(m) => {
                if let Some(on) = decode::power_saving(&m.payload) {
                    return Ok(on);
                }
            }
            NetlinkPayload::Error(e) => return Err(refused(&e)),
            _ => {}
        }
    }
    Err(Why::new(WhyCode::Unsupported, "the driver does not tell whether power saving is on"))
}
