//! What is on the USB bus now. On Linux from the kernel's device tree (kernel documents "ABI stable sysfs-bus-usb" and "ABI testing
//! sysfs-bus-usb"); elsewhere through the USB library.

use crate::model::{Why, WhyCode};
use crate::probe::Roots;
use std::path::Path;

/// A device on the bus.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OnBus {
    /// Vendor number.
    pub vendor: u16,
    /// Product number.
    pub product: u16,
    /// Serial number, if it tells one.
    pub serial: Option<String>,
    /// Bus and ports that lead to it: `1-1.4`.
    pub port: String,
    /// Number that it was given when it was last recognised; another one after each contact break.
    pub number: Option<u32>,
    /// Bus speed, Mbit/s.
    pub speed: Option<f64>,
    /// What it calls itself.
    pub title: String,
    /// Names of the device nodes behind it: `ttyUSB0`, `video0`, `hidraw1`, …; sorted.
    pub nodes: Vec<String>,
    /// The kernel may switch it off when it is idle (autosuspend).
    pub may_sleep: bool,
    /// It is a hub.
    pub hub: bool,
}

/// The bus.
pub struct Bus {
    roots: Roots,
}

impl Bus {
    /// The bus under a root.
    pub fn new(roots: Roots) -> Bus {
        Bus { roots }
    }

    /// Whether a device node is there.
    pub fn node_there(&self, node: &Path) -> bool {
        self.roots.path(node).exists()
    }

    /// Every device on it, root hubs left out.
    ///
    /// # Errors
    /// Why it cannot be read: this machine shows none, or the library's own words.
    #[cfg(target_os = "linux")]
    pub fn read(&self) -> Result<Vec<OnBus>, Why> {
        let folder = Path::new("sys/bus/usb/devices");
        let entries = std::fs::read_dir(self.roots.path(folder)).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => Why::new(WhyCode::Unsupported, "this machine shows no USB bus"),
            _ => Why::from_io("`/sys/bus/usb/devices`", &e),
        })?;
        let mut all: Vec<OnBus> = entries
            .flatten()
            .filter_map(|e| e.file_name().into_string().ok())
            // `usb1` are root hubs, `1-1:1.0` are interfaces.
            .filter(|n| n.starts_with(|c: char| c.is_ascii_digit()) && !n.contains(':'))
            .filter_map(|n| self.device(folder, &n))
            .collect();
        all.sort_by(|a, b| a.port.cmp(&b.port));
        Ok(all)
    }

    #[cfg(target_os = "linux")]
    fn device(&self, folder: &Path, name: &str) -> Option<OnBus> {
        let base = folder.join(name);
        let text = |f: &str| self.roots.text(base.join(f)).filter(|t| !t.is_empty());
        let hex = |f: &str| text(f).and_then(|t| u16::from_str_radix(&t, 16).ok());
        let mut nodes = Vec::new();
        nodes_below(&self.roots.path(&base), 0, &mut nodes);
        nodes.sort();
        nodes.dedup();
        Some(OnBus {
            // A device that is leaving loses its files one by one; without numbers it is no longer there.
            vendor: hex("idVendor")?,
            product: hex("idProduct")?,
            serial: text("serial"),
            port: name.to_string(),
            number: text("devnum").and_then(|t| t.parse().ok()),
            speed: text("speed").and_then(|t| t.parse().ok()).filter(|s: &f64| (0.1..=1e6).contains(s)),
            title: [text("manufacturer"), text("product")].into_iter().flatten().collect::<Vec<_>>().join(" "),
            nodes,
            may_sleep: text("power/control").as_deref() == Some("auto"),
            hub: text("bDeviceClass").as_deref() == Some("09"),
        })
    }

    /// Every device on it.
    ///
    /// # Errors
    /// The library's own words.
    #[cfg(not(target_os = "linux"))]
    pub fn read(&self) -> Result<Vec<OnBus>, Why> {
        use nusb::MaybeFuture;
        let list = nusb::list_devices().wait().map_err(|e| Why::new(WhyCode::Failed, format!("the USB bus: {e}")))?;
        let mut all: Vec<OnBus> = list
            .map(|d| OnBus {
                vendor: d.vendor_id(),
                product: d.product_id(),
                serial: d.serial_number().map(str::to_string),
                number: Some(u32::from(d.device_address())),
                port: d.port_chain().iter().map(u8::to_string).collect::<Vec<_>>().join("."),
                speed: d.speed().map(|s| match s {
                    nusb::Speed::Low => 1.5,
                    nusb::Speed::Full => 12.0,
                    nusb::Speed::High => 480.0,
                    nusb::Speed::Super => 5000.0,
                    _ => 10_000.0,
                }),
                title: [d.manufacturer_string(), d.product_string()]
                    .into_iter()
                    .flatten()
                    .collect::<Vec<_>>()
                    .join(" "),
                ..OnBus::default()
            })
            .collect();
        all.sort_by(|a, b| a.port.cmp(&b.port));
        Ok(all)
    }
}

/// Names of the nodes below a device's folder: the children of class folders.
#[cfg(target_os = "linux")]
fn nodes_below(folder: &Path, depth: usize, out: &mut Vec<String>) {
    const CLASSES: [&str; 4] = ["tty", "video4linux", "hidraw", "usbmisc"];
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for e in entries.flatten() {
        // Links lead away from the device.
        if !e.file_type().is_ok_and(|t| t.is_dir()) {
            continue;
        }
        let name = e.file_name().to_string_lossy().into_owned();
        if CLASSES.contains(&name.as_str()) {
            out.extend(
                std::fs::read_dir(e.path())
                    .into_iter()
                    .flatten()
                    .flatten()
                    .filter_map(|n| n.file_name().into_string().ok()),
            );
        } else if depth < 3 && (name.contains(':') || name.starts_with("tty") || name.contains('.')) {
            // Other devices behind a hub have folders like `1-1.4`: their nodes are their own.
            let another = name.starts_with(|c: char| c.is_ascii_digit()) && !name.contains(':') && name.contains('-');
            if !another {
                nodes_below(&e.path(), depth + 1, out);
            }
        }
    }
}
