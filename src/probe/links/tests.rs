use super::*;
use crate::config::Config;
use crate::model::{BootMs, UnixMs};
use crate::probe::testing::Bench;
use std::net::TcpListener;

fn link(to: Target, by: ReachBy) -> Link {
    Link {
        name: crate::probe::literal("link.house"),
        title: "link to house".into(),
        to,
        by,
        every: Span::secs(1),
        deadline: Span(900),
        window: Span::secs(60),
        leans_on: vec![],
    }
}

fn reach(b: &Bench, l: Link) -> Reach {
    b.probes(|s| Reach::new(s, l, Echo::default(), Changes::default()))
}

fn at(s: i64) -> Stamp {
    Stamp::new(UnixMs(s * 1000), BootMs(s * 1000))
}

fn up(r: &[Reading]) -> Option<f64> {
    r[0].value.known()
}

#[test]
fn an_outage_has_the_time_of_its_first_lost_try() {
    let b = Bench::new(&[]);
    let r = reach(&b, link(Target::Host("192.0.2.1".into()), ReachBy::Echo));
    let mut t = Tries::new(&r);
    let lost = || Came::Lost("no answer".into());
    assert_eq!(up(&t.judge(at(0), Came::There(Some(2.0))).0), Some(1.0));
    // One lost try is loss, not an outage.
    let (readings, event) = t.judge(at(1), lost());
    assert_eq!((up(&readings), event), (Some(0.0), None));
    assert_eq!(readings[2].value.known(), Some(50.0));
    assert!(t.judge(at(2), Came::There(Some(2.0))).1.is_none());
    for s in 3..5 {
        assert!(t.judge(at(s), lost()).1.is_none());
    }
    let e = t.judge(at(5), lost()).1.unwrap();
    assert_eq!((e.kind, e.at, e.within), (EventKind::LinkDown, at(3), Span::secs(1)));
    assert!(t.judge(at(6), lost()).1.is_none());
    let e = t.judge(at(13), Came::There(Some(2.0))).1.unwrap();
    assert_eq!((e.kind, e.detail["down_ms"].as_i64()), (EventKind::LinkUp, Some(10_000)));
    // No way at all needs no patience.
    assert_eq!(t.judge(at(14), Came::NoWay("network is unreachable".into())).1.unwrap().at, at(14));
}

#[test]
fn what_cannot_be_told_is_neither_up_nor_down() {
    let b = Bench::new(&[]);
    let r = reach(&b, link(Target::Host("192.0.2.1".into()), ReachBy::Echo));
    let mut t = Tries::new(&r);
    let (readings, event) = t.judge(at(0), Came::Unknown(Why::new(WhyCode::Refused, "x")));
    assert!(event.is_none() && readings.len() == 4 && readings.iter().all(|r| r.value.why().is_some()));
}

#[tokio::test]
async fn a_refused_connect_is_an_answer_and_silence_is_not() {
    let b = Bench::new(&[]);
    let open = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = open.local_addr().unwrap().port();
    let r = reach(&b, link(Target::Host("127.0.0.1".into()), ReachBy::Tcp(port)));
    let mut t = Tries::new(&r);
    assert!(matches!(t.once(BootMs(0)).await, Came::There(Some(_))));
    drop(open);
    assert!(matches!(t.once(BootMs(0)).await, Came::There(Some(_))), "refused");
    // A full queue of a listener that never accepts: the kernel drops further calls, as a dead host does.
    let full = rustix::net::socket(rustix::net::AddressFamily::INET, rustix::net::SocketType::STREAM, None).unwrap();
    rustix::net::bind(&full, &SocketAddr::from(([127, 0, 0, 1], 0))).unwrap();
    rustix::net::listen(&full, 0).unwrap();
    let to = SocketAddr::try_from(rustix::net::getsockname(&full).unwrap()).unwrap();
    let mut held = vec![];
    while let Ok(s) = std::net::TcpStream::connect_timeout(&to, Duration::from_millis(100)) {
        held.push(s);
        assert!(held.len() < 100);
    }
    let mut l = link(Target::Host("127.0.0.1".into()), ReachBy::Tcp(to.port()));
    l.deadline = Span(50);
    let r = reach(&b, l);
    assert_eq!(Tries::new(&r).once(BootMs(0)).await, Came::Lost("no answer".into()));
}

#[tokio::test]
async fn the_gateway_is_followed_and_its_loss_is_an_outage() {
    const HEAD: &str = "Iface\tDestination\tGateway\tFlags\tRefCnt\tUse\tMetric\tMask\n";
    let route = |via: &str| format!("{HEAD}wlan0\t00000000\t{via}\t0003\t0\t0\t600\t00000000\n");
    let b = Bench::new(&[("proc/net/route", HEAD)]);
    let r = reach(&b, link(Target::Gateway, ReachBy::Tcp(1)));
    let mut t = Tries::new(&r);
    let Came::Unknown(why) = t.once(BootMs(0)).await else { panic!("no gateway was ever there") };
    assert_eq!(why.code, WhyCode::Absent);
    // 127.0.0.1 and 127.0.0.2 as the table writes them on a little-endian machine.
    b.write("proc/net/route", &route(&format!("{:08X}", u32::from_ne_bytes([127, 0, 0, 1]))));
    assert!(matches!(t.once(BootMs(0)).await, Came::There(_)));
    assert_eq!(t.gateway.as_ref().unwrap().2.address.to_string(), "127.0.0.1");
    b.write("proc/net/route", &route(&format!("{:08X}", u32::from_ne_bytes([127, 0, 0, 2]))));
    t.once(BootMs(0)).await;
    assert_eq!(t.gateway.as_ref().unwrap().2.address.to_string(), "127.0.0.1", "nothing was heard yet");
    r.changes.fetch_add(1, Ordering::Relaxed);
    t.once(BootMs(0)).await;
    assert_eq!(t.gateway.as_ref().unwrap().2.address.to_string(), "127.0.0.2");
    b.write("proc/net/route", HEAD);
    r.changes.fetch_add(1, Ordering::Relaxed);
    assert!(matches!(t.once(BootMs(0)).await, Came::NoWay(_)));
}

#[tokio::test]
async fn a_name_that_cannot_be_looked_up_is_unknown() {
    let b = Bench::new(&[]);
    let mut l = link(Target::Host("no-such-host.invalid".into()), ReachBy::Echo);
    l.deadline = Span::secs(30);
    let r = reach(&b, l);
    assert!(matches!(Tries::new(&r).once(BootMs(0)).await, Came::Unknown(_)));
}

/// Without the right to send echo, a place that answered nothing yet is unknown; one that did and now does not is lost.
#[tokio::test]
async fn without_rights_something_stands_in_for_the_echo() {
    let b = Bench::new(&[]);
    let r = reach(&b, link(Target::Host("127.0.0.1".into()), ReachBy::Echo));
    let mut t = Tries::new(&r);
    let forbidden = || Why::new(WhyCode::Refused, "forbidden");
    let place = |a: [u8; 4]| Place { address: IpAddr::from(a), scope: 0, interface: None };
    let short = Duration::from_millis(50);
    // TEST-NET-1 (RFC 5737): nobody answers there, or the network says that there is no way.
    let nobody = place([192, 0, 2, 77]);
    let found = t.stand_in(&nobody, short, forbidden()).await;
    assert!(matches!(found, Came::Unknown(_) | Came::NoWay(_)), "{found:?}");
    assert!(matches!(t.stand_in(&place([127, 0, 0, 1]), short, forbidden()).await, Came::There(_)));
    let found = t.stand_in(&nobody, short, forbidden()).await;
    assert!(matches!(found, Came::Lost(_) | Came::NoWay(_)), "{found:?}");
}

#[test]
fn every_link_of_a_configuration_gets_its_task() {
    let mut b = Bench::new(&[]);
    b.config = Config::default();
    let all = b.probes(|s| sources(s, &Changes::default()));
    assert_eq!(all.iter().map(|s| s.name().to_string()).collect::<Vec<_>>(), ["probe.link-gateway"]);
    assert_eq!(all[0].signals().len(), 4);
}
