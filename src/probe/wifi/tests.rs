//! There is no radio on the machine that tests this: messages are built as bytes by the library and decoded, nothing more is
//! claimed. (The kernel's own table and its meaning: `include/uapi/linux/nl80211.h`, `net/wireless/wext-proc.c`.)

use super::*;
use crate::model::{BootMs, UnixMs};
use proptest::prelude::*;
use wl_nl80211::packet_core::{DefaultNla, Emitable, ParseableParametrized};
use wl_nl80211::packet_generic::GenlHeader;
use wl_nl80211::{
    Nl80211Attr, Nl80211Command, Nl80211CqmAttr, Nl80211InterfaceType, Nl80211Message, Nl80211RateInfo,
    Nl80211StationInfo,
};

const NEAR: Address = [2, 0, 0, 0, 0, 1];
const FAR: Address = [2, 0, 0, 0, 0, 2];

/// Through bytes, as the kernel sends them.
fn sent(cmd: Nl80211Command, attributes: Vec<Nl80211Attr>) -> Nl80211Message {
    let m = Nl80211Message { cmd, attributes };
    let mut bytes = vec![0; m.buffer_len()];
    m.emit(&mut bytes);
    decoded(cmd, &bytes).unwrap()
}

fn decoded(cmd: Nl80211Command, bytes: &[u8]) -> Option<Nl80211Message> {
    Nl80211Message::parse_with_param(bytes, GenlHeader { cmd: cmd.into(), version: 1 }).ok()
}

fn station(address: Address, signal: i8, retries: u32, failed: u32, losses: u32) -> Nl80211Message {
    sent(
        Nl80211Command::NewStation,
        vec![
            Nl80211Attr::IfIndex(3),
            Nl80211Attr::Mac(address),
            Nl80211Attr::StationInfo(vec![
                Nl80211StationInfo::Signal(signal.saturating_sub(3)),
                Nl80211StationInfo::SignalAvg(signal),
                Nl80211StationInfo::TxBitrate(vec![Nl80211RateInfo::Bitrate(1733), Nl80211RateInfo::Bitrate32(1733)]),
                Nl80211StationInfo::RxBitrate(vec![Nl80211RateInfo::Bitrate(65)]),
                Nl80211StationInfo::TxRetries(retries),
                Nl80211StationInfo::TxFailed(failed),
                Nl80211StationInfo::BeaconLoss(losses),
            ]),
        ],
    )
}

fn interface() -> Interface {
    Interface { name: literal("interface.wlan0"), title: "Wi-Fi".into(), device: "wlan0".into() }
}

fn at(s: i64) -> Stamp {
    Stamp::new(UnixMs(1_768_000_000_000 + s * 1000), BootMs(s * 1000))
}

fn seen(m: &[Nl80211Message], frequency: u32, saving: bool) -> Seen {
    let about = sent(
        Nl80211Command::NewInterface,
        vec![Nl80211Attr::IfType(Nl80211InterfaceType::Station), Nl80211Attr::WiphyFreq(frequency)],
    );
    let ps = Nl80211Attr::Other(DefaultNla::new(decode::PS_STATE, u32::from(saving).to_ne_bytes().to_vec()));
    let answer = sent(Nl80211Command::GetPowerSave, vec![ps]);
    Seen {
        air: decode::air(&about),
        station: decode::together(m.iter().filter_map(decode::station).collect()),
        power_saving: Ok(decode::power_saving(&answer).unwrap()),
    }
}

fn value(s: &Signals, n: &News, q: &str) -> Value {
    let id = s.id(&literal("interface.wlan0").quantity(q)).unwrap();
    n.readings.iter().rev().find(|r| r.signal == id).unwrap().value.clone()
}

#[test]
fn messages_become_readings_and_changes_events() {
    let s = Signals::new();
    let mut one = One::new(&s, &interface());
    let within = Span::secs(5);
    let n = one.take(at(0), within, Ok(seen(&[station(NEAR, -58, 100, 7, 2)], 2437, true)));
    assert!(n.events.is_empty(), "how it is found at the start is no change: {:?}", n.events);
    let known = |n: &News, q: &str| value(&s, n, q).known();
    assert_eq!(known(&n, "signal"), Some(-58.0));
    assert_eq!((known(&n, "rate-sent"), known(&n, "rate-received")), (Some(173.3), Some(6.5)));
    assert_eq!((known(&n, "power-saving"), known(&n, "beacon-losses")), (Some(1.0), Some(0.0)));
    assert_eq!(value(&s, &n, "retries").why().unwrap().code, WhyCode::NotYet);
    // Five seconds later, through another access point on another channel, power saving switched off.
    let n = one.take(at(5), within, Ok(seen(&[station(FAR, -71, 150, 7, 3)], 5180, false)));
    assert_eq!((known(&n, "retries"), known(&n, "failed")), (Some(10.0), Some(0.0)));
    assert_eq!(known(&n, "beacon-losses"), Some(1.0));
    let told: Vec<_> = n.events.iter().map(|e| (e.detail["what"].as_str().unwrap(), e.detail["new"].clone())).collect();
    assert_eq!(
        told,
        [("access point", "02:00:00:00:00:02".into()), ("channel", 5180.into()), ("power saving", "off".into())]
    );
    assert!(n.events.iter().all(|e| e.kind == EventKind::LinkChanged && e.within == within));
    // Not associated: no level, and it is said why.
    let n = one.take(at(10), within, Ok(seen(&[], 5180, false)));
    assert_eq!(value(&s, &n, "signal").why().unwrap().code, WhyCode::Absent);
    assert_eq!(known(&n, "beacon-losses"), Some(1.0), "what was counted stays");
    let n = one.take(at(15), within, Err(Why::new(WhyCode::Unsupported, "this kernel has no nl80211")));
    assert_eq!(n.readings.len(), 7);
    assert!(n.readings.iter().all(|r| r.value.why().is_some_and(|w| w.code == WhyCode::Unsupported)));
    // A new association counts from zero again.
    one.take(at(20), within, Ok(seen(&[station(FAR, -71, 3, 0, 1)], 5180, false)));
    let n = one.take(at(25), within, Ok(seen(&[station(FAR, -71, 8, 0, 1)], 5180, false)));
    assert_eq!((known(&n, "retries"), known(&n, "beacon-losses")), (Some(1.0), Some(2.0)));
}

#[test]
fn what_the_kernel_tells_of_its_own_accord() {
    let s = Signals::new();
    let mut one = One::new(&s, &interface());
    one.take(at(0), Span::secs(5), Ok(seen(&[station(NEAR, -58, 0, 0, 0)], 2437, false)));
    let flag = |kind| Nl80211Attr::Other(DefaultNla::new(kind, vec![]));
    let index = || Nl80211Attr::IfIndex(3);
    let cqm = |kind| Nl80211Attr::Cqm(vec![Nl80211CqmAttr::Other(DefaultNla::new(kind, vec![]))]);
    let mut tell = |m: Nl80211Message| {
        let (i, h) = decode::happened(&m)?;
        assert_eq!(i, 3);
        one.heard(at(1), &h)
    };
    let e = tell(sent(
        Nl80211Command::Disconnect,
        vec![index(), Nl80211Attr::ReasonCode(4), flag(decode::BY_ACCESS_POINT)],
    ))
    .unwrap();
    assert_eq!(e.text, "Wi-Fi: disconnected by the access point: nothing was heard for too long (reason 4)");
    assert_eq!((e.detail["reason"].as_i64(), e.within), (Some(4), Span::ZERO));
    let e = tell(sent(Nl80211Command::Disconnect, vec![index()])).unwrap();
    assert_eq!(e.text, "Wi-Fi: disconnected by this side: no reason given");
    let e = tell(sent(Nl80211Command::Roam, vec![index(), Nl80211Attr::Mac(FAR)])).unwrap();
    assert_eq!(
        (e.detail["old"].as_str(), e.detail["new"].as_str()),
        (Some("02:00:00:00:00:01"), Some("02:00:00:00:00:02"))
    );
    assert_eq!(
        tell(sent(Nl80211Command::Connect, vec![index(), Nl80211Attr::Mac(FAR)])),
        None,
        "that one it is already"
    );
    assert!(
        tell(sent(Nl80211Command::NotifyCqm, vec![index(), cqm(decode::BEACON_LOSS)])).unwrap().text.contains("beacon")
    );
    assert_eq!(tell(sent(Nl80211Command::NotifyCqm, vec![index(), cqm(4)])), None);
    assert_eq!(tell(sent(Nl80211Command::NewScanResults, vec![index()])), None);
    // Told and counted by the driver: once.
    let n = one.take(at(5), Span::secs(5), Ok(seen(&[station(FAR, -58, 0, 0, 1)], 2437, false)));
    assert_eq!(value(&s, &n, "beacon-losses").known(), Some(1.0));
}

#[test]
fn of_several_stations_the_strongest_is_told() {
    let all = [station(NEAR, -70, 5, 1, 0), station(FAR, -50, 7, 1, 0)];
    let s = decode::together(all.iter().filter_map(decode::station).collect()).unwrap();
    assert_eq!((s.signal, s.retries, s.address), (Some(-50.0), Some(12), Some(FAR)));
    assert_eq!(decode::together(vec![]), None);
}

#[test]
fn the_older_table() {
    let text = b"Inter-| sta-|   Quality        |   Discarded packets               | Missed | WE\n face | tus | link level noise |  nwid  crypt   frag  retry   misc | beacon | 22\n wlan0: 0000   54.  -56.  -256        0      0      0     12      3       40\n wlan1: 0000   54   78  0        0      0      0     0      0       0\n";
    let r = wireless::row(text, "wlan0").unwrap();
    assert_eq!(r, wireless::Row { signal: Some(-56.0), failed: 12, missed_beacons: 40 });
    assert_eq!(wireless::row(text, "wlan1").unwrap().signal, None, "a share of something is no level in dBm");
    assert_eq!(wireless::row(text, "wlan2"), None);
    assert_eq!(wireless::row(&text[..170], "wlan0"), None, "a torn line");
}

#[tokio::test]
async fn the_real_kernel_answers_or_says_that_it_has_no_radio() {
    match ask::Kernel::open() {
        Err(why) => assert!(matches!(why.code, WhyCode::Unsupported | WhyCode::Refused), "{why:?}"),
        Ok(mut k) => {
            let seen = tokio::select! {
                () = &mut k.talk => Err(ask::ended()),
                // Loopback is never a radio.
                s = ask::seen(&k.handle, 1) => s,
            };
            assert!(matches!(seen.unwrap_err().code, WhyCode::Absent | WhyCode::Unsupported));
        }
    }
}

proptest! {
    #[test]
    fn no_bytes_panic_or_leave_the_range(b in proptest::collection::vec(any::<u8>(), 0..200), cmd in any::<u8>(), n in any::<i8>(), c in any::<[u32; 3]>()) {
        let s = Signals::new();
        let mut one = One::new(&s, &interface());
        let _ = wireless::row(&b, "wlan0");
        // Garbage, and garbage in the place of the last attribute of a sound message.
        let mut bytes = vec![0; station(NEAR, -50, 0, 0, 0).buffer_len()];
        station(NEAR, -50, 0, 0, 0).emit(&mut bytes);
        bytes.extend(&b);
        for m in [decoded(Nl80211Command::from(cmd), &b), decoded(Nl80211Command::NewStation, &bytes)].into_iter().flatten() {
            let station = decode::station(&m);
            let power_saving = decode::power_saving(&m).ok_or_else(ask::ended);
            one.take(at(1), Span::ZERO, Ok(Seen { air: decode::air(&m), station, power_saving }));
            if let Some((_, h)) = decode::happened(&m) {
                one.heard(at(2), &h);
            }
        }
        for (i, c) in c.into_iter().enumerate() {
            let news = one.take(at(3 + i as i64), Span::ZERO, Ok(seen(&[station(NEAR, n, c, c, c)], c, true)));
            for r in news.readings {
                let def = s.def(r.signal).unwrap();
                prop_assert!(r.value.known().is_none_or(|v| v.is_finite() && (def.low..=def.high).contains(&v)));
            }
        }
    }
}
