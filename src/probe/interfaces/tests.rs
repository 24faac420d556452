use super::*;
use crate::model::WhyCode;
use crate::probe::testing::Bench;
use proptest::prelude::*;

const DEV: &str = "Inter-|   Receive                                                |  Transmit
 face |bytes    packets errs drop fifo frame compressed multicast|bytes    packets errs drop fifo colls carrier compressed
    lo:  384029    2246    0    0    0     0          0         0   384029    2246    0    0    0     0       0          0
 wlan0: 1000 43 2 1 0 0 0 0 500 22 0 0 0 0 0 0
";

fn bench() -> Bench {
    let mut b = Bench::new(&[
        ("proc/net/dev", DEV),
        ("sys/class/net/wlan0/operstate", "up\n"),
        ("sys/class/net/lo/operstate", "unknown\n"),
    ]);
    let i =
        |n: &str| Interface { name: crate::model::Name::from_parts("interface", n), title: n.into(), device: n.into() };
    b.config.interfaces = vec![i("wlan0"), i("eth9")];
    b
}

#[test]
fn counters_become_rates_and_the_state_is_looked_at() {
    let b = bench();
    let mut p = b.probes(|s| all(s, &links::Changes::default())).probes;
    b.run(&mut p);
    assert_eq!(b.value("interface.wlan0"), Some(1.0));
    assert_eq!(b.why("interface.wlan0.received"), Some(WhyCode::NotYet));
    assert_eq!(b.why("interface.eth9"), Some(WhyCode::Absent));
    assert_eq!(b.why("interface.eth9.sent"), Some(WhyCode::Absent));
    b.write("proc/net/dev", &DEV.replace("1000 43 2 1", "2500 43 4 1"));
    b.run(&mut p);
    assert_eq!(b.value("interface.wlan0.received"), Some(1500.0));
    assert_eq!(b.value("interface.wlan0.errors"), Some(2.0));
    // The cross-check finds what no event told.
    b.write("sys/class/net/wlan0/operstate", "down\n");
    let mut told = vec![];
    for _ in 0..5 {
        b.run(&mut p);
        told.extend(b.events());
    }
    assert_eq!((told.len(), told[0].kind, told[0].within), (1, EventKind::LinkDown, Span::secs(5)));
    assert_eq!(b.value("interface.wlan0"), Some(0.0));
    // The driver is gone: it was there, so it is down.
    b.remove("sys/class/net/wlan0/operstate");
    b.write("proc/net/dev", &DEV[..200]);
    for _ in 0..5 {
        b.run(&mut p);
    }
    assert_eq!(b.why("interface.wlan0.sent"), Some(WhyCode::Absent));
}

#[test]
fn changes_are_told_once() {
    let b = bench();
    let board = b.probes(|s| Board::new(s, links::Changes::default()));
    let at = |s: i64| Stamp::new(crate::model::UnixMs(s * 1000), crate::model::BootMs(s * 1000));
    assert!(board.set("wlan0", true, at(0), Span::ZERO, "").is_none(), "up from the start is no event");
    assert!(board.set("other0", false, at(0), Span::ZERO, "").is_none(), "not watched");
    let (down, reading) = board.set("wlan0", false, at(1), Span::ZERO, "no carrier").unwrap();
    assert_eq!((down.kind, reading.value.known()), (EventKind::LinkDown, Some(0.0)));
    assert!(board.set("wlan0", false, at(2), Span::ZERO, "").is_none());
    let (up, _) = board.set("wlan0", true, at(11), Span::ZERO, "").unwrap();
    assert_eq!(up.detail["down_ms"], 10_000);

    let list = |l: &[&str]| l.iter().map(ToString::to_string).collect::<Vec<_>>();
    assert!(board.addresses("wlan0", at(0), |a| *a = list(&["192.0.2.7/24"])).is_none(), "the first look");
    assert!(board.addresses("wlan0", at(0), |_| {}).is_none());
    let e = board.addresses("wlan0", at(1), |a| *a = list(&["192.0.2.9/24"])).unwrap();
    assert_eq!(e.text, "wlan0: address lost 192.0.2.7/24 got 192.0.2.9/24");
}

#[test]
fn the_look_around_lists_interfaces() {
    let f = found(&bench().roots());
    assert_eq!((f.len(), f[0].config_lines[0].as_str()), (1, "[interface.wlan0]"));
}

proptest! {
    #[test]
    fn no_bytes_panic(b in proptest::collection::vec(any::<u8>(), 0..300), cut in 0..400_usize) {
        let text = &DEV.as_bytes()[..cut.min(DEV.len())];
        for t in [&b[..], text] {
            if let Some(l) = poll::line(t, "wlan0") {
                let _ = poll::counts(l);
            }
            let _ = poll::counts(t);
        }
    }
}
