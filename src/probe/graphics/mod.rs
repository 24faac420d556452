//! Graphics fitness: is there hardware to draw with, and which programs draw on the processor instead.
//!
//! A program that draws in software is known by the threads that its drawing library starts (`llvmpipe-0`, …; readable of every
//! user's programs), else by the libraries in its memory map (readable of one's own programs only). The names are those of the
//! Mesa libraries: tried with version 22.3, from memory for others. Files: proc(5); `/sys/class/drm` by the kernel document "DRM
//! Internals" and "ABI testing sysfs-bus-pci" for the driver link.

#[cfg(target_os = "linux")]
pub mod watch;

use super::{Found, Group, Roots, parse};
use crate::model::{Why, WhyCode};

/// What to do about it. Common practice, no source.
pub const ADVICE: &str = "on a processor that draws in software cap a sky display at 12 to 15 frames a second instead of leaving it \
unlimited, leave out stars fainter than magnitude 5, satellites and atmosphere effects, and show a still picture in place of a \
moving three-dimensional view";
/// What follows where several do. Common practice, no source.
pub const TOGETHER: &str = "two or more programs doing so together starve the rest";

/// Something to draw with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hardware {
    /// `renderD128`
    pub node: String,
    /// The kernel's driver; none if the tree does not tell.
    pub driver: Option<String>,
    /// The device node that programs open is there.
    pub there: bool,
}

/// Drivers that offer a render node without any hardware behind it.
const WITHOUT_HARDWARE: [&str; 2] = ["vgem", "vkms"];

/// The render nodes with hardware behind them.
pub fn hardware(roots: &Roots) -> Vec<Hardware> {
    let Ok(dir) = std::fs::read_dir(roots.path("sys/class/drm")) else { return vec![] };
    let mut all: Vec<Hardware> = dir
        .flatten()
        .filter_map(|e| e.file_name().into_string().ok())
        .filter(|n| n.starts_with("renderD"))
        .map(|node| {
            let link = std::fs::read_link(roots.path(format!("sys/class/drm/{node}/device/driver"))).ok();
            let driver = link.and_then(|p| Some(p.file_name()?.to_string_lossy().into_owned()));
            let there = roots.path(format!("dev/dri/{node}")).exists();
            Hardware { node, driver, there }
        })
        .filter(|h| h.driver.as_deref().is_none_or(|d| !WITHOUT_HARDWARE.contains(&d)))
        .collect();
    all.sort_by(|a, b| a.node.cmp(&b.node));
    all
}

/// How a program draws.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Drawing {
    /// On the processor, with these threads of its drawing library; none where the library starts none of its own.
    Software(Vec<u32>),
    /// With hardware, or not at all.
    Not,
    /// Not to be known.
    Unknown(Why),
}

/// How the process draws. `hardware`: there is some on this machine.
pub fn drawing(roots: &Roots, pid: u32, hardware: bool) -> Drawing {
    match drawing_threads(roots, pid) {
        Err(why) => Drawing::Unknown(why),
        Ok(t) if !t.is_empty() => Drawing::Software(t),
        Ok(_) => by_maps(roots, pid, hardware),
    }
}

/// The same by the libraries alone.
fn by_maps(roots: &Roots, pid: u32, hardware: bool) -> Drawing {
    match roots.read(format!("proc/{pid}/maps")) {
        Ok(text) if by_libraries(&text, hardware) => Drawing::Software(vec![]),
        Ok(_) => Drawing::Not,
        Err(e) if e.kind() == std::io::ErrorKind::PermissionDenied => Drawing::Unknown(Why::new(
            WhyCode::Refused,
            "belongs to another user, so its libraries are not seen: run the agent as that user, or grant it CAP_SYS_PTRACE",
        )),
        Err(e) => Drawing::Unknown(gone(&e)),
    }
}

fn gone(e: &std::io::Error) -> Why {
    match e.raw_os_error() {
        // ESRCH: it has just ended.
        Some(3) => Why::new(WhyCode::Absent, "not running"),
        _ if e.kind() == std::io::ErrorKind::NotFound => Why::new(WhyCode::Absent, "not running"),
        _ => Why::from_io("how it draws", e),
    }
}

/// The threads of a process that do nothing but draw.
pub fn drawing_threads(roots: &Roots, pid: u32) -> Result<Vec<u32>, Why> {
    let folder = roots.path(format!("proc/{pid}/task"));
    let mut all = vec![];
    for e in std::fs::read_dir(&folder).map_err(|e| gone(&e))?.flatten() {
        let Some(tid) = parse::unsigned(e.file_name().as_encoded_bytes()).and_then(|n| u32::try_from(n).ok()) else {
            continue;
        };
        let comm = std::fs::read(e.path().join("comm")).unwrap_or_default();
        if parse::trim(&comm).strip_prefix(b"llvmpipe-").is_some_and(|n| parse::unsigned(n).is_some()) {
            all.push(tid);
        }
    }
    all.sort_unstable();
    Ok(all)
}

/// Whether the libraries in a memory map are those of drawing in software, as far as they tell.
pub fn by_libraries(maps: &[u8], hardware: bool) -> bool {
    let (mut soft, mut hard, mut any) = (false, false, false);
    for l in parse::lines(maps) {
        // The path is behind five fields; most mappings have none.
        let Some(slash) = l.iter().position(|c| *c == b'/') else { continue };
        let name = l[slash..].rsplit(|c| *c == b'/').next().unwrap_or(b"");
        let name = name.strip_suffix(b" (deleted)").unwrap_or(name);
        match name {
            b"swrast_dri.so" | b"kms_swrast_dri.so" => soft = true,
            n if n.ends_with(b"_dri.so") => hard = true,
            n if n.starts_with(b"libGLX_") && !n.starts_with(b"libGLX_mesa") && !n.starts_with(b"libGLX_indirect") => {
                hard = true
            }
            // From here on the same library serves hardware and processor, or is loaded only to ask who is there.
            n if n.starts_with(b"libgallium") || n.starts_with(b"libvulkan_lvp") => any = true,
            _ => {}
        }
    }
    (soft && !hard) || (any && !hard && !hardware)
}

/// A running program that draws in software.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawer {
    /// Its name.
    pub name: String,
    /// Its number.
    pub pid: u32,
    /// What its drawing threads took of one processor core since its start, per cent.
    pub share: Option<f64>,
}

/// Every running program that is seen to draw in software.
pub fn drawers(roots: &Roots, hardware: bool) -> Vec<Drawer> {
    let Ok(dir) = std::fs::read_dir(roots.path("proc")) else { return vec![] };
    let mut all = vec![];
    for e in dir.flatten() {
        let Some(pid) = parse::unsigned(e.file_name().as_encoded_bytes()).and_then(|n| u32::try_from(n).ok()) else {
            continue;
        };
        if let Drawing::Software(threads) = drawing(roots, pid, hardware) {
            let name = roots.text(format!("proc/{pid}/comm")).unwrap_or_default();
            all.push(Drawer { name, pid, share: share(roots, pid, &threads) });
        }
    }
    all.sort_by(|a, b| (&a.name, a.pid).cmp(&(&b.name, b.pid)));
    all
}

#[cfg(target_os = "linux")]
fn share(roots: &Roots, pid: u32, threads: &[u32]) -> Option<f64> {
    let per_second = rustix::param::clock_ticks_per_second().max(1) as f64;
    let start = watch::stat(roots, &format!("proc/{pid}/stat"))?.start as f64 / per_second;
    let age = (crate::clock::since_boot() - crate::model::BootMs(0)).as_secs_f64() - start;
    let busy = watch::busy(roots, pid, threads)? as f64 / per_second;
    (age > 0.0 && !threads.is_empty()).then(|| 100.0 * busy / age)
}

#[cfg(not(target_os = "linux"))]
fn share(_: &Roots, _: u32, _: &[u32]) -> Option<f64> {
    None
}

/// One line for the look around: what there is to draw with, and who draws without it.
pub fn found(roots: &Roots) -> Vec<Found> {
    let hard = hardware(roots);
    let mut said = vec![];
    for h in &hard {
        let driver = h.driver.as_deref().map_or(String::new(), |d| format!(" ({d})"));
        let missing = if h.there { "" } else { ", but its device node is missing" };
        said.push(format!("hardware {}{driver}{missing}", h.node));
    }
    if hard.is_empty() {
        said.push("no graphics hardware: whatever draws here draws on the processor".into());
    }
    let who = drawers(roots, !hard.is_empty());
    let words: Vec<String> = who
        .iter()
        .map(|d| match d.share {
            Some(s) => format!("{} (at least {s:.0} % of one core since its start)", d.name),
            None => d.name.clone(),
        })
        .collect();
    match words.len() {
        0 => said.push("no program is seen to draw in software now".into()),
        n => {
            said.push(format!("drawing in software now: {}", words.join(", ")));
            said.push(ADVICE.into());
            if n > 1 {
                said.push(TOGETHER.into());
            }
        }
    }
    vec![Found::plain(Group::Machine, "graphics", said.join("; "))]
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
