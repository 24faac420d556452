//! Which USB device a device node belongs to, from the kernel's device tree (documents `sysfs-bus-usb`, `sysfs-class-tty`).

use crate::probe::Roots;
use std::path::{Path, PathBuf};

/// A USB device, or a node without one.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Equipment {
    /// Vendor and product number, four hexadecimal digits each.
    pub usb: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// Port path such as `1-1.4`.
    pub port: Option<String>,
    /// What the device calls itself.
    pub product: Option<String>,
}

/// The device behind `node`; an empty one where there is no USB device behind it.
pub fn behind(roots: &Roots, node: &str) -> Equipment {
    let name = node.rsplit('/').next().unwrap_or(node);
    let folder = match node.strip_prefix("/dev/bus/usb/") {
        Some(numbers) => by_number(roots, numbers),
        None => ["tty", "video4linux", "hidraw", "usbmisc"]
            .iter()
            .map(|class| roots.path(format!("/sys/class/{class}/{name}/device")))
            .find_map(|p| std::fs::canonicalize(p).ok())
            .and_then(|p| upwards(&p)),
    };
    folder.map(|f| read(&f)).unwrap_or_default()
}

/// `003/007`: the device of that bus with that number.
fn by_number(roots: &Roots, numbers: &str) -> Option<PathBuf> {
    let (bus, device) = numbers.split_once('/')?;
    let (bus, device) = (bus.parse::<u32>().ok()?, device.parse::<u32>().ok()?);
    let number = |folder: &Path, file: &str| text(folder, file)?.parse::<u32>().ok();
    std::fs::read_dir(roots.path("/sys/bus/usb/devices"))
        .ok()?
        .flatten()
        .map(|e| e.path())
        .find(|p| number(p, "busnum") == Some(bus) && number(p, "devnum") == Some(device))
}

/// The nearest folder above (or at) `from` that describes a USB device.
fn upwards(from: &Path) -> Option<PathBuf> {
    from.ancestors().take(12).find(|p| p.join("idVendor").exists()).map(Path::to_path_buf)
}

fn text(folder: &Path, file: &str) -> Option<String> {
    let t = std::fs::read(folder.join(file)).ok()?;
    let t: String = String::from_utf8_lossy(&t).chars().filter(|c| !c.is_control()).take(120).collect();
    Some(t.trim().to_owned()).filter(|t| !t.is_empty())
}

fn read(folder: &Path) -> Equipment {
    let hex = |f: &str| text(folder, f).filter(|t| t.len() == 4 && t.bytes().all(|b| b.is_ascii_hexdigit()));
    // The entry under bus/usb may be a link; the port is the name of the folder that it leads to.
    let folder_name =
        std::fs::canonicalize(folder).ok().and_then(|p| Some(p.file_name()?.to_string_lossy().into_owned()));
    Equipment {
        usb: hex("idVendor").zip(hex("idProduct")).map(|(v, p)| format!("{v}:{p}")),
        serial: text(folder, "serial"),
        port: folder_name.filter(|n| n.contains('-') && !n.contains(':')),
        product: text(folder, "product"),
    }
}
