//! What a line of the kernel's means, by patterns of its own wording. Pure.
//!
//! The wording is the kernel's source as remembered (drivers/usb/core, block/blk-core.c, mm/oom_kill.c, arch/*/mm/fault.c,
//! drivers/thermal, net/mac80211, fs/ext4 and neighbours); three of the lines are made by the running kernel in the tests.

use super::record::Line;
use regex_lite::{Captures, Regex};
use serde_json::{Map, Value};

/// One line with its meaning.
#[derive(Clone, Debug, PartialEq)]
pub struct Meaning {
    /// `usb`, `over_current`, `under_voltage`, `io_error`, `out_of_memory`, `crash`, `throttle`, `radio`, `other`.
    pub class: &'static str,
    /// One phrase for people.
    pub words: String,
    /// `port`, `device`, `program`, `pid`, `signal`, `interface`, `reason`, where the line names them.
    pub detail: Map<String, Value>,
}

/// A pattern: class, regular expression, words with `{group}` for what a named group holds, and the signal by which the
/// kernel ends the program that such a line names. The small engine matches them: the fast one would hold four megabytes for these.
type Pattern = (&'static str, &'static str, &'static str, Option<i64>);

/// In this order; the first that fits counts.
const PATTERNS: &[Pattern] = &[
    ("over_current", r"(?i)over-?current", "a USB port was cut for over-current", None),
    ("under_voltage", r"(?i)under-?voltage detected", "the supply voltage is too low", None),
    (
        "out_of_memory",
        r"(?i)out of memory: Kill(?:ed)? process (?P<pid>\d+) \((?P<program>[^)]*)\)",
        "`{program}` was killed for memory",
        Some(9),
    ),
    ("usb", r"usb (?P<port>[\d.-]+): USB disconnect", "the USB device on port {port} disconnected", None),
    ("usb", r"usb (?P<port>[\d.-]+): reset .*USB device", "the USB device on port {port} was reset", None),
    (
        "usb",
        r"usb (?P<port>[\d.-]+): (?:device descriptor read|device not accepting address|can't set config|can't read configurations|unable to read config)",
        "the USB device on port {port} does not answer as it should",
        None,
    ),
    (
        "usb",
        r"(?i)usb (?P<port>[\d.-]+)-port\d+: (?:cannot reset|cannot enable|cannot disable|unable to enumerate|attempt power cycle|disabled by hub)",
        "a port of the USB hub {port} is in trouble",
        None,
    ),
    (
        "usb",
        r"(?i)(?:xhci|ehci|ohci|uhci|dwc2|dwc3)\S* .*(?:HC died|host controller not responding|host not responding|Abort failed to stop command ring|Timeout while waiting for)",
        "the USB controller does not answer",
        None,
    ),
    (
        "usb",
        r"(?i)usb (?P<port>[\d.:-]+): .*(?:failed|error|timeout|timed out)",
        "trouble with the USB device on port {port}",
        None,
    ),
    ("usb", r"(?i)(?P<device>tty(?:USB|ACM)\d+).*(?:disconnected|failed|error)", "trouble with {device}", None),
    (
        "io_error",
        r"(?i)\((?P<device>[\w-]+)\): .*(?:remounting filesystem read-only|forced shutdown|shutdown filesystem)|(?:remounting filesystem read-only|filesystem has been set read-only|remount-ro)",
        "a file system was made read-only after an error",
        None,
    ),
    (
        "io_error",
        r"(?i)I/O error,? (?:on )?dev(?:ice)? (?P<device>[\w-]+)",
        "the disk {device} failed to read or write",
        None,
    ),
    (
        "io_error",
        r"(?i)aborting journal on device (?P<device>[\w-]+)",
        "the file system on {device} was given up after an error",
        None,
    ),
    (
        "io_error",
        r"(?i)(?:EXT[234]-fs|XFS|BTRFS|F2FS-fs|FAT-fs|exFAT-fs|NTFS\w*)\S* (?:error |warning )?\(?(?:device )?(?P<device>[\w-]+)?\)?.*\b(?:error|corrupt\w*|aborting journal)\b",
        "a file system is damaged or its disk fails",
        None,
    ),
    (
        "io_error",
        r"(?i)(?:critical (?:medium|target|space allocation) error|exception Emask|failed command: (?:READ|WRITE|FLUSH)|(?P<device>mmc\w*|nvme\w*|ata[\d.]+|sd[a-z]+)\b.*(?:I/O error|error -?\d+|timeout|timed out|hard resetting link|controller is down))",
        "a disk or its cable fails",
        None,
    ),
    (
        "crash",
        r"^(?P<program>.+)\[(?P<pid>\d+)\]: segfault at ",
        "`{program}` crashed: it reached for memory that is not its own",
        Some(11),
    ),
    (
        "crash",
        r"^traps: (?P<program>.+)\[(?P<pid>\d+)\] general protection",
        "`{program}` crashed: it reached for memory that is not its own",
        Some(11),
    ),
    (
        "crash",
        r"^traps: (?P<program>.+)\[(?P<pid>\d+)\] trap invalid opcode",
        "`{program}` crashed: illegal instruction",
        Some(4),
    ),
    (
        "crash",
        r"^traps: (?P<program>.+)\[(?P<pid>\d+)\] trap (?:divide error|divide_error)",
        "`{program}` crashed: division by zero",
        Some(8),
    ),
    ("crash", r"^traps: (?P<program>.+)\[(?P<pid>\d+)\] trap ", "`{program}` crashed", None),
    (
        "crash",
        r"^(?P<program>.+)\[(?P<pid>\d+)\]: (?:unhandled|bad frame|potentially unexpected fatal signal)",
        "`{program}` crashed",
        None,
    ),
    (
        "crash",
        r"(?i)^(?:BUG: (?:unable to handle|kernel NULL)|Oops[: ]|kernel BUG at|general protection fault|Kernel panic|Internal error: Oops|Unable to handle kernel)",
        "the kernel itself failed",
        None,
    ),
    (
        "crash",
        r"(?i)(?:soft lockup|hard lockup|detected stalls? on|self-detected stall)",
        "the kernel stood still on a processor",
        None,
    ),
    (
        "throttle",
        r"(?i)(?:clock throttled|temperature above threshold|critical temperature reached|temperature is critical|thermal throttling|throttling (?:started|activated))",
        "the processor is throttled for heat",
        None,
    ),
    (
        "radio",
        r"(?P<interface>wl\w+): (?:deauthenticated|disassociated) from \S+ \(Reason: (?P<reason>[^)]*)\)",
        "the Wi-Fi link {interface} was ended by the other side ({reason})",
        None,
    ),
    (
        "radio",
        r"(?i)(?P<interface>wl\w+): (?:deauthenticat\w+|disassociat\w+|connection to AP \S+ lost|(?:authentication|association) with \S+ timed out|beacon loss)",
        "the Wi-Fi link {interface} was lost",
        None,
    ),
    (
        "radio",
        r"(?i)(?:(?:microcode|\bfw\b|firmware|uCode)\S*.*(?:crash|halted|died|error detected|assert|not responding|hang)|(?:iwl|brcm|ath\d|rtw|rtl|mt76|mwifi|rt2)\w*[ :].*(?:firmware|timed? ?out|failed|reset|error))",
        "the Wi-Fi radio's firmware is in trouble",
        None,
    ),
    (
        "other",
        r"INFO: task (?P<program>.+):(?P<pid>\d+) blocked for more than (?P<seconds>\d+) seconds",
        "`{program}` waited for more than {seconds} s in the kernel",
        None,
    ),
];

/// Lines that fit a pattern and mean nothing of the kind.
const HARMLESS: &str = r"(?i)(?:errors=remount-ro|error correction|re-mounted|error handling enabled|opts: )";

/// Unknown lines are kept from this level on (2: critical).
const SEVERE: u8 = 2;

/// The patterns, made ready.
pub struct Classifier {
    patterns: Vec<(Regex, &'static Pattern)>,
    harmless: Option<Regex>,
}

impl Default for Classifier {
    fn default() -> Classifier {
        // Each is a literal, and a test compiles all of them.
        let patterns = PATTERNS.iter().filter_map(|p| Some((Regex::new(p.1).ok()?, p))).collect();
        Classifier { patterns, harmless: Regex::new(HARMLESS).ok() }
    }
}

impl Classifier {
    /// What the line means; none if it is of no interest here.
    pub fn meaning(&self, l: &Line) -> Option<Meaning> {
        let harmless = self.harmless.as_ref().is_some_and(|h| h.is_match(&l.text));
        let found = self.patterns.iter().filter(|_| !harmless).find_map(|(r, p)| Some((r.captures(&l.text)?, r, *p)));
        if let Some((c, r, p)) = found {
            return Some(told(&c, r, p));
        }
        (l.level <= SEVERE && !harmless).then(|| Meaning {
            class: "other",
            words: "the kernel complains".into(),
            detail: Map::new(),
        })
    }
}

fn told(c: &Captures<'_>, r: &Regex, (class, _, words, signal): &Pattern) -> Meaning {
    let mut words = (*words).to_string();
    let mut detail = Map::new();
    for name in r.capture_names().flatten() {
        let value = c.name(name).map(|m| m.as_str());
        words = words.replace(&format!("{{{name}}}"), value.unwrap_or("?"));
        if let Some(v) = value {
            let number = (name == "pid" || name == "seconds").then(|| v.parse::<u32>().ok()).flatten();
            detail.insert(name.into(), number.map_or_else(|| Value::from(v), Value::from));
        }
    }
    if let Some(s) = signal {
        detail.insert("signal".into(), (*s).into());
    }
    Meaning { class, words, detail }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn meaning(text: &str, level: u8) -> Option<Meaning> {
        // Made once: it takes long in an unoptimised build.
        static MADE: std::sync::LazyLock<Classifier> = std::sync::LazyLock::new(Classifier::default);
        MADE.meaning(&Line { level, us: None, text: text.into() })
    }

    #[test]
    fn every_pattern_compiles() {
        assert_eq!(Classifier::default().patterns.len(), PATTERNS.len());
        assert!(Classifier::default().harmless.is_some());
    }

    /// Lines as kernels write them. Source: the message formats in the kernel's source, from memory; the OOM, segfault and
    /// ext4 lines were taken from a running kernel 6.18.
    #[test]
    fn lines_of_every_class() {
        for (line, class) in [
            ("usb 1-1.4: USB disconnect, device number 7", "usb"),
            ("usb 1-1: reset high-speed USB device number 3 using xhci_hcd", "usb"),
            ("usb 2-1.1: device descriptor read/64, error -71", "usb"),
            ("usb 1-1-port4: cannot reset (err = -110)", "usb"),
            ("usb 1-1-port4: Cannot enable. Maybe the USB cable is bad?", "usb"),
            ("xhci_hcd 0000:00:14.0: HC died; cleaning up", "usb"),
            ("usb 1-1-port2: over-current condition", "over_current"),
            ("hub 1-1:1.0: over-current change on port 4", "over_current"),
            ("hwmon hwmon1: Undervoltage detected!", "under_voltage"),
            ("I/O error, dev sda, sector 2048 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 2", "io_error"),
            ("Buffer I/O error on dev sdb1, logical block 0, lost async page write", "io_error"),
            ("blk_update_request: I/O error, dev mmcblk0, sector 8192", "io_error"),
            (
                "EXT4-fs error (device sda1): ext4_find_entry:1455: inode #2: comm ls: reading directory lblock 0",
                "io_error",
            ),
            ("EXT4-fs (loop0): Remounting filesystem read-only", "io_error"),
            ("Aborting journal on device loop0-8.", "io_error"),
            ("ata1.00: failed command: READ FPDMA QUEUED", "io_error"),
            ("mmc0: error -110 whilst initialising SD card", "io_error"),
            ("nvme nvme0: I/O 12 QID 3 timeout, aborting", "io_error"),
            ("Out of memory: Killed process 4711 (camera) total-vm:1kB, anon-rss:1kB", "out_of_memory"),
            ("Memory cgroup out of memory: Killed process 812 (python3) total-vm:30584kB", "out_of_memory"),
            ("camera[4711]: segfault at 0 ip 000055d1 sp 00007ffd error 4 in camera[55d1+1000]", "crash"),
            ("traps: camera[4711] general protection fault ip:7f sp:7f error:0 in libc.so.6", "crash"),
            ("traps: camera[4711] trap invalid opcode ip:55 sp:7f error:0", "crash"),
            ("camera[99]: unhandled level 2 translation fault (11) at 0x00000000", "crash"),
            ("watchdog: BUG: soft lockup - CPU#1 stuck for 22s! [kworker/1:1:33]", "crash"),
            ("CPU0: Core temperature above threshold, cpu clock throttled (total events = 1)", "throttle"),
            ("thermal thermal_zone0: critical temperature reached, shutting down", "throttle"),
            ("wlan0: deauthenticated from aa:bb:cc:dd:ee:ff (Reason: 4=DISASSOC_DUE_TO_INACTIVITY)", "radio"),
            ("wlp2s0: Connection to AP aa:bb:cc:dd:ee:ff lost", "radio"),
            ("iwlwifi 0000:02:00.0: Microcode SW error detected. Restarting 0x0.", "radio"),
            ("ieee80211 phy0: brcmf_psm_watchdog_notify: PSM's watchdog has fired! firmware halted", "radio"),
            ("INFO: task camera:4711 blocked for more than 120 seconds.", "other"),
        ] {
            assert_eq!(meaning(line, 4).map(|m| m.class), Some(class), "{line}");
        }
        for line in [
            "usb 1-1: new high-speed USB device number 3 using xhci_hcd",
            "EXT4-fs (sda1): mounted filesystem with ordered data mode. Opts: errors=remount-ro",
            "EXT4-fs (vda): mounted filesystem 0000 r/w without journal. Quota mode: none.",
            "wlan0: associated",
            "mmc0: new high speed SDHC card at address aaaa",
            "virtio_blk virtio1: [vda] new size: 536870912 512-byte logical blocks (275 GB/256 GiB)",
        ] {
            assert_eq!(meaning(line, 6), None, "{line}");
        }
        assert_eq!(meaning("something dreadful", 2).unwrap().class, "other");
    }

    #[test]
    fn what_a_line_names_is_kept() {
        let m = meaning("camera (2)[4711]: segfault at 0 ip 1 sp 2 error 4", 6).unwrap();
        assert_eq!((m.detail["program"].as_str(), m.detail["pid"].as_i64()), (Some("camera (2)"), Some(4711)));
        assert_eq!(m.detail["signal"], 11);
        let m = meaning("usb 1-1.4: USB disconnect, device number 7", 6).unwrap();
        assert_eq!(m.words, "the USB device on port 1-1.4 disconnected");
    }

    proptest! {
        #[test]
        fn no_text_panics(t in ".{0,300}", level in 0u8..8) {
            let _ = meaning(&t, level);
        }
    }
}
