use super::*;
use crate::report::season::gather::{Wish, gather};

/// The engine sees the faults that the garden drew, of the right kind, at the right instants, and the store keeps them.
#[test]
fn the_engine_finds_what_the_garden_drew() {
    for case in [Case::ColdContact, Case::StarvedProcessor, Case::WeakRadio, Case::MemoryLeak] {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("r.db");
        let r = Rehearsal { step: Span::secs(60), ..Rehearsal::of(case, 4, 3) };
        let done = rehearse(&path, &r, &mut |_| ()).unwrap();
        assert_eq!(done.nights, 4);
        let reader = Reader::open(&path).unwrap();
        assert!(reader.is_invented().unwrap());
        let settings = Settings::from_config(&pier::configuration().unwrap());
        let g = gather(&reader, settings, &Wish::default(), UnixMs(i64::MAX / 4), &|_, _| ()).unwrap();
        let faults: Vec<_> = g.season.nights.iter().flat_map(|n| &n.faults).collect();
        assert_eq!(faults.len(), done.faults, "{case:?}: {faults:?}");
        assert!(faults.iter().all(|f| kinds(case).contains(&f.kind)), "{case:?}: {faults:?}");
        assert_eq!(g.season.nights.iter().filter(|n| n.usable()).count(), 4);
        assert!(g.season.nights.iter().all(|n| n.values.len() == g.season.signals.len()));
        // A second rehearsal does not go into the same file; a real agent refuses it.
        assert!(matches!(rehearse(&path, &r, &mut |_| ()), Err(RehearseError::Exists(_))));
        let real = Options::new(ManualClock::at(Stamp::new(UnixMs(1), BootMs(1))), "b");
        assert!(matches!(store::open(&path, real), Err(StoreError::Mixed { holds_invented: true, .. })));
        assert!(matches!(store::Import::open(&path, UnixMs(1)), Err(StoreError::Mixed { .. })));
    }
}
