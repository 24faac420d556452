//! Made-up trees after proc(5) and the layout of `/sys/class/drm`. The real thing, Mesa under a virtual display, is in the tests of
//! the built binary.

use super::*;
use crate::probe::testing::Bench;
use proptest::prelude::*;

const SOFT: &str =
    "7f10-7f20 r-xp 00000000 08:01 12 /usr/lib/x86_64-linux-gnu/dri/swrast_dri.so\n7f30-7f40 rw-p 0 00:00 0 \n";

#[test]
fn libraries_tell_as_far_as_they_can() {
    let maps =
        |libs: &[&str]| libs.iter().map(|l| format!("7f1-7f2 r-xp 0 08:01 12 /usr/lib/{l}\n")).collect::<String>();
    for (libs, without, with) in [
        (&["dri/swrast_dri.so", "libGLX_mesa.so.0"][..], true, true),
        (&["dri/swrast_dri.so", "dri/iris_dri.so"], false, false),
        (&["dri/swrast_dri.so (deleted)"], true, true),
        // Asking every Vulkan driver loads this one too: with hardware it proves nothing.
        (&["libvulkan_lvp.so"], true, false),
        (&["libgallium-25.0.7.so"], true, false),
        // Hardware drivers compile with it as well.
        (&["libLLVM-15.so.1"], false, false),
        (&["libGLX_other.so.0", "libgallium-25.so"], false, false),
        (&[], false, false),
    ] {
        let text = maps(libs);
        assert_eq!(
            (by_libraries(text.as_bytes(), false), by_libraries(text.as_bytes(), true)),
            (without, with),
            "{libs:?}"
        );
    }
}

#[test]
fn hardware_is_what_has_a_driver_behind_it() {
    let b = Bench::new(&[
        ("sys/class/drm/renderD128/device/x", ""),
        ("sys/class/drm/renderD129/device/x", ""),
        ("sys/class/drm/card0/device/x", ""),
        ("dev/dri/renderD128", ""),
    ]);
    for (n, d) in [(128, "i915"), (129, "vgem")] {
        let link = b.root().join(format!("sys/class/drm/renderD{n}/device/driver"));
        std::os::unix::fs::symlink(format!("../../../bus/drivers/{d}"), link).unwrap();
    }
    let want = Hardware { node: "renderD128".into(), driver: Some("i915".into()), there: true };
    assert_eq!(hardware(&b.roots()), [want]);
    assert!(found(&b.roots())[0].note.starts_with("hardware renderD128 (i915); no program is seen"));
    let nothing = found(&Bench::new(&[]).roots());
    assert!(nothing[0].note.starts_with("no graphics hardware"));
}

fn task(pid: u32, tid: u32, comm: &str, ticks: u32) -> [(String, String); 2] {
    let stat = format!("{tid} ({comm}) S 1 1 1 0 -1 0 0 0 0 0 {ticks} 0 0 0 20 0 7 0 5000 1 1\n");
    [(format!("proc/{pid}/task/{tid}/comm"), format!("{comm}\n")), (format!("proc/{pid}/task/{tid}/stat"), stat)]
}

fn tree(ticks: u32) -> Vec<(String, String)> {
    let mut all = vec![
        ("proc/40/comm".into(), "sky-display\n".into()),
        ("proc/40/stat".into(), "40 (sky-display) S 1 1 1 0 -1 0 0 0 0 0 900 0 0 0 20 0 7 0 5000 1 1\n".into()),
        ("proc/41/comm".into(), "mount\n".into()),
        ("proc/41/task/41/comm".into(), "mount\n".into()),
        ("proc/41/maps".into(), "55-56 r-xp 0 08:01 1 /usr/bin/mount\n".into()),
        ("proc/42/comm".into(), "old-view\n".into()),
        ("proc/42/task/42/comm".into(), "old-view\n".into()),
        ("proc/42/maps".into(), SOFT.into()),
    ];
    all.extend(task(40, 40, "sky-display", 10));
    all.extend(task(40, 44, "llvmpipe-0", ticks));
    all.extend(task(40, 45, "llvmpipe-1", ticks));
    all.extend(task(40, 46, "llvmpipe-x", ticks));
    all
}

fn bench() -> Bench {
    let b = Bench::new(&[]);
    tree(100).iter().for_each(|(p, t)| b.write(p, t));
    b
}

#[test]
fn threads_first_then_libraries() {
    let b = bench();
    assert_eq!(drawing(&b.roots(), 40, true), Drawing::Software(vec![44, 45]));
    assert_eq!(drawing(&b.roots(), 41, false), Drawing::Not);
    assert_eq!(drawing(&b.roots(), 42, true), Drawing::Software(vec![]));
    assert!(matches!(drawing(&b.roots(), 43, true), Drawing::Unknown(w) if w.code == WhyCode::Absent));
    let note = found(&b.roots())[0].note.clone();
    assert!(note.contains("drawing in software now: old-view, sky-display (at least "), "{note}");
    assert!(note.contains(ADVICE) && note.contains(TOGETHER), "{note}");
}

#[cfg(target_os = "linux")]
#[test]
fn what_is_not_watched_is_found_and_its_cost_measured() {
    let b = bench();
    let mut p: Vec<Box<dyn crate::probe::Probe>> = vec![Box::new(b.probes(|s| watch::Watch::new(s, None)))];
    b.run(&mut p);
    assert_eq!((b.value("graphics.hardware"), b.value("graphics.software-programs")), (Some(0.0), Some(1.0)));
    assert_eq!(b.value("program.sky-display.software-drawing"), Some(1.0));
    assert_eq!(b.why("program.sky-display.drawing-cpu"), Some(WhyCode::NotYet));
    // One second later each of the two threads has used half of it (a tick is 10 ms).
    tree(150).iter().for_each(|(p, t)| b.write(p, t));
    b.run(&mut p);
    assert_eq!(b.value("program.sky-display.drawing-cpu"), Some(100.0));
    assert_eq!(b.value("graphics.software-cpu"), Some(100.0));
    // It ends: told once, then silence.
    std::fs::remove_dir_all(b.root().join("proc/40")).unwrap();
    b.run(&mut p);
    assert_eq!(b.value("program.sky-display.software-drawing"), Some(0.0));
    assert_eq!(b.value("graphics.software-programs"), Some(0.0));
    b.run(&mut p);
    assert_eq!(b.value("program.sky-display.software-drawing"), None);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn no_bytes_panic_or_leave_the_range(a in proptest::collection::vec(any::<u8>(), 0..300), ticks in any::<u32>()) {
        let _ = (by_libraries(&a, true), by_libraries(&a, false));
        #[cfg(target_os = "linux")]
        {
            let b = bench();
            let mut p: Vec<Box<dyn crate::probe::Probe>> = vec![Box::new(b.probes(|s| watch::Watch::new(s, None)))];
            for f in ["proc/42/maps", "proc/41/task/41/comm", "proc/40/task/45/stat"] {
                b.write_bytes(f, &a);
            }
            b.run(&mut p);
            b.all_in_range();
            tree(ticks).iter().for_each(|(p, t)| b.write(p, t));
            b.run(&mut p);
            b.all_in_range();
        }
    }
}
