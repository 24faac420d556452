//! `tilldawn pair`: lets a phone's browser in by a short code.

use super::{Done, Failure, WELL, configured, say};
use crate::clock::{Clock, SystemClock};
use crate::config::model::HttpSettings;
use crate::config::paths::state_dir;
use crate::http::auth::keys::{CODE_GOOD_FOR, KeyFile};
use crate::http::auth::may_listen::of_home_network;
use crate::http::auth::tls::Certificate;
use crate::report::say::zoned;
use clap::Args;
use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;
use std::io::IsTerminal;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

/// Let a phone's browser in: shows a code that works once, within five minutes
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn pair --config tilldawn.toml\n  tilldawn pair --list\n  tilldawn pair --revoke phone"
)]
pub struct Arguments {
    /// Configuration file of the agent; it says where the page is
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Where the agent listens, if it was started with another address than the configuration's
    #[arg(long, value_name = "ADDRESS")]
    listen: Option<SocketAddr>,
    /// State folder of the agent, if it is not this user's
    #[arg(long, value_name = "FOLDER")]
    state: Option<PathBuf>,
    /// List the paired browsers
    #[arg(long, conflicts_with = "revoke")]
    list: bool,
    /// Let this browser in no longer
    #[arg(long, value_name = "NAME")]
    revoke: Option<String>,
}

/// Pairs, lists or revokes.
pub fn run(a: Arguments) -> Done {
    let dir = a.state.clone().unwrap_or_else(state_dir);
    let keys = KeyFile::in_dir(&dir);
    let failed = |e: crate::http::auth::keys::KeyError| Failure::new(e.to_string());
    if a.list {
        let all = keys.read().map_err(failed)?.browsers;
        if all.is_empty() {
            say::say("No browser is paired.");
        }
        for b in all {
            let day = zoned(b.made, &jiff::tz::TimeZone::system()).strftime("%-d %B %Y, %H:%M");
            say::say(&format!("{}   paired {day}", b.name));
        }
        return Ok(WELL);
    }
    if let Some(name) = a.revoke {
        keys.revoke_browser(&name).map_err(failed)?;
        say::say(&format!("`{name}` is let in no longer."));
        return Ok(WELL);
    }
    let mut http = configured(a.config.as_deref())?.http;
    http.listen = a.listen.unwrap_or(http.listen);
    if http.listen.ip().to_canonical().is_loopback() {
        return Err(Failure::new(format!(
            "the agent listens on this machine alone (`{}`), where no phone can reach it: under `[http]` write listen = \
             \"0.0.0.0:{}\" and tls = true, run `tilldawn pair` again, and start the agent within five minutes",
            http.listen,
            http.listen.port()
        )));
    }
    let now = SystemClock.now().wall;
    let fingerprint = if http.tls {
        Some(Certificate::ready(&http, &dir, now).map_err(|e| Failure::new(e.to_string()))?.fingerprint())
    } else {
        None
    };
    let code = keys.new_code(now).map_err(failed)?;
    say::say(&words(
        &code,
        &hosts(&http, &own_addresses()),
        &http,
        fingerprint.as_deref(),
        std::io::stdout().is_terminal(),
    ));
    Ok(WELL)
}

/// What the person reads.
fn words(code: &str, hosts: &[String], http: &HttpSettings, fingerprint: Option<&str>, terminal: bool) -> String {
    let scheme = if http.tls { "https" } else { "http" };
    let page = |h: &String| format!("{scheme}://{h}:{}/pair", http.listen.port());
    let spoken = format!("{}-{}", &code[..code.len() / 2], &code[code.len() / 2..]);
    let mut out = String::new();
    if let Some(first) = hosts.first() {
        if terminal && let Ok(square) = QrCode::new(format!("{}?code={code}", page(first))) {
            // Dark on light whatever the terminal's colours are: many phones do not read the inverse.
            let drawn = square.render::<Dense1x2>().quiet_zone(true).build();
            for line in drawn.lines() {
                out.push_str(&format!("\x1b[30;107m{line}\x1b[0m\n"));
            }
            out.push('\n');
        }
        out.push_str("On the phone, in the same network, open\n");
        for h in hosts {
            out.push_str(&format!("    {}\n", page(h)));
        }
    } else {
        out.push_str(
            "This machine has no address that a phone could reach; connect it to the network, then open its page.\n",
        );
    }
    out.push_str(&format!("and type this code, which works once, within {CODE_GOOD_FOR}:\n    {spoken}\n"));
    if let Some(f) = fingerprint {
        out.push_str(
            "\nThe browser will warn that nobody vouches for the certificate: the agent made it itself. Compare its SHA-256\n\
             fingerprint once, then accept it:\n",
        );
        let pairs: Vec<&str> = f.split(':').collect();
        for half in pairs.chunks(16) {
            out.push_str(&format!("    {}\n", half.join(":")));
        }
    }
    out
}

/// How a phone can call this machine: stated names, then addresses, those of the home network first.
fn hosts(http: &HttpSettings, own: &[IpAddr]) -> Vec<String> {
    let bracketed = |ip: &IpAddr| if ip.is_ipv6() { format!("[{ip}]") } else { ip.to_string() };
    let mut out: Vec<String> = http.names.clone();
    let listen = http.listen.ip().to_canonical();
    if !listen.is_unspecified() {
        out.push(bracketed(&listen));
        return out;
    }
    let mut usable: Vec<&IpAddr> = own
        .iter()
        .filter(|ip| !ip.is_loopback() && (ip.is_ipv4() || http.listen.is_ipv6()))
        // A browser cannot be told through which interface a link-local address is meant.
        .filter(|ip| !matches!(ip, IpAddr::V6(v6) if v6.is_unicast_link_local()))
        .collect();
    usable.sort_by_key(|ip| (!of_home_network(**ip), ip.is_ipv6(), **ip));
    out.extend(usable.into_iter().take(4).map(bracketed));
    out
}

fn own_addresses() -> Vec<IpAddr> {
    let Ok(all) = sysinfo::Networks::new_with_refreshed_list() else { return vec![] };
    all.values().flat_map(|n| n.ip_networks().iter().map(|a| a.addr)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_address_comes_first() {
        let own: Vec<IpAddr> =
            ["127.0.0.1", "203.0.113.4", "fe80::1", "192.168.7.20", "2001:db8::4"].map(|a| a.parse().unwrap()).into();
        let mut http = HttpSettings { listen: "0.0.0.0:7417".parse().unwrap(), tls: true, ..HttpSettings::default() };
        assert_eq!(hosts(&http, &own), ["192.168.7.20", "203.0.113.4"]);
        http.names = vec!["pier.home.arpa".into()];
        http.listen = "[::]:7417".parse().unwrap();
        assert_eq!(hosts(&http, &own), ["pier.home.arpa", "192.168.7.20", "203.0.113.4", "[2001:db8::4]"]);
        http.listen = "10.0.0.4:80".parse().unwrap();
        assert_eq!(hosts(&http, &own), ["pier.home.arpa", "10.0.0.4"]);
    }

    #[test]
    fn the_person_reads_address_code_and_fingerprint() {
        let http = HttpSettings { listen: "0.0.0.0:7417".parse().unwrap(), tls: true, ..HttpSettings::default() };
        let w = words("ABCD2345", &["192.168.7.20".into()], &http, Some(&["AB"; 32].join(":")), false);
        assert!(w.contains("https://192.168.7.20:7417/pair\n") && w.contains("    ABCD-2345\n"), "{w}");
        assert!(w.contains("within 5 min"), "{w}");
        assert_eq!(w.matches("AB:AB").count(), 16, "{w}");
        let square = words("ABCD2345", &["192.168.7.20".into()], &http, None, true);
        assert!(square.contains("\x1b[30;107m") && square.lines().count() > 15);
    }
}
