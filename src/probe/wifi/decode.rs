//! What the kernel's messages about radio say: pure, from messages of the library to plain numbers and words.
//!
//! Meaning and units of the attributes: the kernel's `include/uapi/linux/nl80211.h`. Reason codes: IEEE Std 802.11-2020, Table 9-49,
//! in words of our own.

use wl_nl80211::packet_core::Nla;
use wl_nl80211::{
    ETH_ALEN, Nl80211Attr, Nl80211Command, Nl80211CqmAttr, Nl80211InterfaceType, Nl80211Message, Nl80211RateInfo,
    Nl80211StationInfo,
};

/// `NL80211_ATTR_PS_STATE`, which the library leaves undecoded: 1 is on.
pub const PS_STATE: u16 = 93;
/// `NL80211_ATTR_DISCONNECTED_BY_AP`, a flag.
pub const BY_ACCESS_POINT: u16 = 71;
/// `NL80211_ATTR_CQM_BEACON_LOSS_EVENT`, a flag inside the connection monitor's attribute.
pub const BEACON_LOSS: u16 = 8;

/// Hardware address of an access point.
pub type Address = [u8; ETH_ALEN];

/// The other end of the radio link.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Station {
    /// Its hardware address: the access point's, for an ordinary client.
    pub address: Option<Address>,
    /// Mean level of what is received, dBm; the last one where no mean is told.
    pub signal: Option<f64>,
    /// Rate at which is sent, Mbit/s.
    pub rate_sent: Option<f64>,
    /// Rate at which was last received, Mbit/s.
    pub rate_received: Option<f64>,
    /// Sent again, since the association.
    pub retries: Option<u64>,
    /// Not sent at all, since the association.
    pub failed: Option<u64>,
    /// Times that the beacon was lost, since the association.
    pub beacon_losses: Option<u64>,
}

/// The interface itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Air {
    /// It is an access point itself.
    pub is_access_point: bool,
    /// Centre of the channel, MHz.
    pub frequency: Option<u32>,
}

/// A rate in Mbit/s; the kernel counts in steps of 100 kbit/s, and the 32-bit figure is the whole one.
fn rate(of: &[Nl80211RateInfo]) -> Option<f64> {
    let whole = of.iter().find_map(|r| match r {
        Nl80211RateInfo::Bitrate32(n) => Some(*n),
        _ => None,
    });
    let short = of.iter().find_map(|r| match r {
        Nl80211RateInfo::Bitrate(n) => Some(u32::from(*n)),
        _ => None,
    });
    whole.or(short).filter(|n| *n > 0).map(|n| f64::from(n) / 10.0)
}

/// The station in one message of a station dump; none if the message is of another kind.
pub fn station(m: &Nl80211Message) -> Option<Station> {
    if m.cmd != Nl80211Command::NewStation {
        return None;
    }
    let (mut s, mut last) = (Station::default(), None);
    for a in &m.attributes {
        match a {
            Nl80211Attr::Mac(address) => s.address = Some(*address),
            Nl80211Attr::StationInfo(all) => {
                for i in all {
                    match i {
                        Nl80211StationInfo::SignalAvg(v) => s.signal = Some(f64::from(*v)),
                        Nl80211StationInfo::Signal(v) => last = Some(f64::from(*v)),
                        Nl80211StationInfo::TxBitrate(r) => s.rate_sent = rate(r),
                        Nl80211StationInfo::RxBitrate(r) => s.rate_received = rate(r),
                        Nl80211StationInfo::TxRetries(n) => s.retries = Some(u64::from(*n)),
                        Nl80211StationInfo::TxFailed(n) => s.failed = Some(u64::from(*n)),
                        Nl80211StationInfo::BeaconLoss(n) => s.beacon_losses = Some(u64::from(*n)),
                        _ => {}
                    }
                }
            }
            _ => {}
        }
    }
    s.signal = s.signal.or(last);
    Some(s)
}

/// All stations as one: an ordinary client has one, the access point. Of several (the field PC is the access point) the level is
/// that of the strongest, and the counters are sums.
pub fn together(all: Vec<Station>) -> Option<Station> {
    let sum = |a: Option<u64>, b: Option<u64>| match (a, b) {
        (Some(a), Some(b)) => Some(a.saturating_add(b)),
        (a, b) => a.or(b),
    };
    all.into_iter().reduce(|a, b| {
        let (retries, failed) = (sum(a.retries, b.retries), sum(a.failed, b.failed));
        let beacon_losses = sum(a.beacon_losses, b.beacon_losses);
        let stronger = if b.signal > a.signal { b } else { a };
        Station { retries, failed, beacon_losses, ..stronger }
    })
}

/// What the message about an interface says of it.
pub fn air(m: &Nl80211Message) -> Air {
    let mut air = Air::default();
    for a in &m.attributes {
        match a {
            Nl80211Attr::IfType(t) => {
                air.is_access_point = matches!(t, Nl80211InterfaceType::Ap | Nl80211InterfaceType::P2pGo);
            }
            Nl80211Attr::WiphyFreq(f) => air.frequency = Some(*f).filter(|f| *f > 0),
            _ => {}
        }
    }
    air
}

/// Whether power saving is on, in the answer to that question.
pub fn power_saving(m: &Nl80211Message) -> Option<bool> {
    m.attributes.iter().find_map(|a| match a {
        Nl80211Attr::Other(o) if o.kind() == PS_STATE && o.value_len() == 4 => {
            let mut b = [0; 4];
            o.emit_value(&mut b);
            Some(u32::from_ne_bytes(b) != 0)
        }
        _ => None,
    })
}

/// Something that happened on the radio side of one interface.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Happened {
    /// The association is over.
    Disconnected {
        /// IEEE 802.11 reason code; none: not told.
        reason: Option<u16>,
        /// The access point ended it, and not this side.
        by_access_point: bool,
    },
    /// Another access point of the same network took over.
    Roamed(Option<Address>),
    /// An association was tried: with whom, and whether it succeeded.
    Connected(Option<Address>, bool),
    /// The beacon stayed away.
    BeaconLost,
}

/// What a message of the kernel's own accord tells, with the number of the interface.
pub fn happened(m: &Nl80211Message) -> Option<(u32, Happened)> {
    let (mut index, mut reason, mut address, mut by_access_point, mut lost, mut ok) =
        (None, None, None, false, false, true);
    for a in &m.attributes {
        match a {
            Nl80211Attr::IfIndex(i) => index = Some(*i),
            Nl80211Attr::ReasonCode(r) => reason = Some(*r),
            Nl80211Attr::Mac(x) | Nl80211Attr::Bssid(x) => address = Some(*x),
            Nl80211Attr::StatusCode(s) => ok = u16::from(*s) == 0,
            Nl80211Attr::Cqm(all) => {
                lost = all.iter().any(|c| matches!(c, Nl80211CqmAttr::Other(o) if o.kind() == BEACON_LOSS));
            }
            Nl80211Attr::Other(o) if o.kind() == BY_ACCESS_POINT => by_access_point = true,
            _ => {}
        }
    }
    let what = match m.cmd {
        Nl80211Command::Disconnect => Happened::Disconnected { reason, by_access_point },
        Nl80211Command::Roam => Happened::Roamed(address),
        Nl80211Command::Connect => Happened::Connected(address, ok),
        Nl80211Command::NotifyCqm if lost => Happened::BeaconLost,
        _ => return None,
    };
    Some((index?, what))
}

/// A hardware address as people write it.
pub fn written(a: Address) -> String {
    a.iter().map(|b| format!("{b:02x}")).collect::<Vec<_>>().join(":")
}

/// A reason code in words: what it means for somebody who looks for the cause.
pub fn reason_words(code: u16) -> &'static str {
    match code {
        2 => "the earlier authentication no longer holds",
        3 => "it was left on purpose, or the access point is going away",
        4 => "nothing was heard for too long",
        5 => "the access point has too many clients",
        6 | 7 => "the access point no longer knew it",
        8 => "the client left for another access point",
        9 => "it was not authenticated",
        10 | 11 => "power or channels do not suit",
        12 | 27 | 47 => "the access point sent it elsewhere",
        14 => "a message failed its integrity check",
        15 => "the handshake of keys was not answered in time",
        16 => "the renewal of the group key was not answered in time",
        13 | 17..=22 | 24 | 29 | 45 | 49..=51 => "security settings of the two do not agree",
        23 => "the login to the network failed",
        34 => "too many frames went unanswered: the radio link is poor",
        32 | 33 | 35 | 37..=39 => "the quality of service could not be held",
        36 | 46 => "one side asked to leave",
        _ => "no further reason given",
    }
}
