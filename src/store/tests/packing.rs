//! Packed rows come back bit for bit, and no damage goes unnoticed.

use crate::model::SignalId;
use crate::store::bytes::Bytes;
use crate::store::column::{Column, Effort, Grid, Slot, get_column, get_ints, put_column, put_ints};
use crate::store::journal;
use crate::store::minutes::{self, Hour};
use crate::store::piece::{self, Figures, Gather, Instants};
use proptest::prelude::*;

fn grid() -> impl Strategy<Value = Option<Grid>> {
    prop_oneof![
        Just(None),
        (1u32..100_000).prop_map(|p| Some(Grid::Per(p))),
        prop_oneof![Just(0.06), Just(4096.0), Just(1000.0), Just(0.3)].prop_map(|s| Some(Grid::Step(s))),
    ]
}

/// Columns as probes make them: wandering values on a grid, now and then off it, with runs that could not be read.
fn column() -> impl Strategy<Value = (Option<Grid>, Vec<Slot>)> {
    let piece = prop_oneof![
        6 => prop::collection::vec(-40i64..40, 1..60).prop_map(|v| v.into_iter().map(|d| (0, d as f64)).collect::<Vec<_>>()),
        2 => (1usize..80, 0u32..5).prop_map(|(n, why)| vec![(1, f64::from(why)); n]),
        1 => prop::collection::vec(any::<f64>().prop_filter("finite", |v| v.is_finite()), 1..10)
            .prop_map(|v| v.into_iter().map(|x| (2, x)).collect()),
        1 => (1usize..200).prop_map(|n| vec![(0, 0.0); n]),
    ];
    (grid(), prop::collection::vec(piece, 0..8)).prop_map(|(grid, parts)| {
        let mut n = 0i64;
        let slots = parts
            .into_iter()
            .flatten()
            .map(|(kind, x)| match kind {
                0 => {
                    n += x as i64;
                    Slot::Known(grid.map_or(n as f64, |g| g.value(n)))
                }
                1 => Slot::Gone(x as u32),
                _ => Slot::Known(x),
            })
            .collect();
        (grid, slots)
    })
}

fn same(a: &[Slot], b: &[Slot]) -> bool {
    a.len() == b.len()
        && a.iter().zip(b).all(|(a, b)| match (a, b) {
            (Slot::Known(a), Slot::Known(b)) => a.to_bits() == b.to_bits(),
            (a, b) => a == b,
        })
}

fn slots(c: &Column) -> Vec<Slot> {
    c.slots().collect()
}

proptest! {
    #[test]
    fn columns_come_back(c in column(), thrifty in any::<bool>()) {
        let effort = if thrifty { Effort::Thrifty } else { Effort::Quick };
        let mut out = vec![];
        put_column(&mut out, &c.1, c.0, effort);
        let mut b = Bytes(&out);
        let back = get_column(&mut b, c.1.len()).unwrap();
        prop_assert!(same(&slots(&back), &c.1));
        prop_assert!(b.0.is_empty());
    }

    #[test]
    fn whole_numbers_come_back(v in prop::collection::vec(-(1i64 << 54)..(1i64 << 54), 0..300), thrifty in any::<bool>()) {
        let mut out = vec![];
        put_ints(&mut out, &v, if thrifty { Effort::Thrifty } else { Effort::Quick });
        prop_assert_eq!(get_ints(&mut Bytes(&out), v.len()).unwrap(), v);
    }

    #[test]
    fn pieces_come_back_and_every_flipped_bit_is_noticed(
        c in column(), step in 0i64..3000, uneven in any::<bool>(), shared in any::<bool>(), at in any::<prop::sample::Index>(), bit in 0u8..8
    ) {
        let instants: Vec<i64> = (0..c.1.len() as i64).map(|i| i * step + if uneven { i % 7 } else { 0 }).collect();
        let id = 7 << 40 | 1_768_248_000;
        let how = if shared { Instants::List(3) } else { Instants::Here(&instants) };
        let mut body = piece::pack(id, how, &c.1, c.0);
        let list = |n| { assert_eq!(n, 3); Some(instants.clone()) };
        let p = piece::open(id, &body, list).unwrap();
        prop_assert_eq!(&p.at, &instants);
        prop_assert!(same(&slots(&p.column), &c.1));
        prop_assert!(piece::open(id + 1, &body, list).is_none(), "a piece under another key");
        let i = at.index(body.len());
        body[i] ^= 1 << bit;
        prop_assert!(piece::open(id, &body, list).is_none());
    }

    #[test]
    fn bytes_that_are_no_piece_never_panic(v in prop::collection::vec(any::<u8>(), 0..400), n in 0usize..2000) {
        // Past the checksum, so that the unpacking itself is met by nonsense.
        let _ = get_column(&mut Bytes(&v), n);
        let _ = get_ints(&mut Bytes(&v), n);
        let sealed = crate::store::bytes::seal(v.clone(), 5);
        let _ = piece::open(5, &sealed, |_| Some(vec![0; n]));
        let _ = piece::open_instants(5, &sealed);
        if let Some(mut p) = journal::open(&sealed, 5) {
            while let Some(Some(_)) = p.next(|_| true) {}
        }
    }

    #[test]
    fn journal_bodies_come_back(cols in prop::collection::vec(column(), 0..6)) {
        let groups: Vec<_> = cols.iter().enumerate().map(|(i, (g, s))| {
            let at = (0..s.len() as i64).map(|k| k * 1000 + (i as i64 % 2)).collect();
            (SignalId(i as u32 + 1), *g, journal::Group { at, slots: s.clone() })
        }).collect();
        let mut body = journal::pack(&groups, 1200);
        {
            let mut p = journal::open(&body, 1200).unwrap();
            for (s, _, g) in groups.iter().filter(|g| g.0.0 % 2 == 1) {
                let (signal, at, column) = p.next(|s| s.0 % 2 == 1).unwrap().unwrap();
                prop_assert_eq!(signal, *s);
                prop_assert_eq!(at, &g.at[..]);
                prop_assert!(same(&slots(&column), &g.slots));
            }
            prop_assert!(p.next(|s| s.0 % 2 == 1).unwrap().is_none());
        }
        let i = body.len() / 2;
        body[i] ^= 0x10;
        prop_assert!(journal::open(&body, 1200).is_none());
    }

    #[test]
    fn hours_come_back(parts in prop::collection::vec(prop::option::of(column()), 60), per in 1u32..2000) {
        let mut hour = Hour::default();
        for (m, part) in hour.minutes.iter_mut().zip(&parts) {
            let mut g = Gather::default();
            let Some((_, s)) = part else { continue };
            s.iter().filter(|s| !matches!(s, Slot::Known(v) if v.abs() > 1e15)).for_each(|s| g.slot(*s));
            *m = g.figures();
        }
        for grid in [None, Some(Grid::Per(per)), Some(Grid::Step(0.3))] {
            let row = minutes::pack(9, &hour, grid);
            let back = minutes::open(&row).unwrap();
            for (a, b) in hour.minutes.iter().zip(&back.minutes) {
                prop_assert_eq!((a.count, a.unavailable), (b.count, b.unavailable));
                let (Some(a), Some(b)) = (a.of_known, b.of_known) else {
                    prop_assert_eq!(a.of_known, b.of_known);
                    continue;
                };
                prop_assert_eq!((a[0].to_bits(), a[2].to_bits()), (b[0].to_bits(), b[2].to_bits()));
                let step = match grid { Some(Grid::Per(p)) => 1.0 / f64::from(p), Some(Grid::Step(s)) => s, None => 0.0 };
                prop_assert!((a[1] - b[1]).abs() <= 0.051 * step + a[1].abs() * 1e-12, "{:?} {:?} {}", a, b, step);
            }
        }
    }
}

#[test]
fn every_byte_of_a_piece_and_its_figures_is_watched() {
    let slots: Vec<Slot> = (0..300)
        .map(|i| {
            if i % 97 == 5 {
                Slot::Gone(2)
            } else {
                Slot::Known((14.0 + f64::from(i % 13) / 10.0 * 10.0).round() / 10.0)
            }
        })
        .collect();
    let body =
        piece::pack(42, Instants::Here(&(0..300).map(|i| i * 2000).collect::<Vec<_>>()), &slots, Some(Grid::Per(10)));
    for i in 0..body.len() {
        for bit in 0..8 {
            let mut b = body.clone();
            b[i] ^= 1 << bit;
            assert!(piece::open(42, &b, |_| None).is_none(), "byte {i}, bit {bit}");
        }
        assert!(piece::open(42, &body[..i], |_| None).is_none(), "cut at {i}");
    }
    let f = Figures::of(slots.iter().copied());
    assert_eq!((f.count, f.unavailable), (296, 4));
    let crc = f.crc(42);
    for other in [
        Figures { count: 297, ..f },
        Figures { unavailable: 3, ..f },
        Figures { of_known: f.of_known.map(|[a, b, c]| [a, b + 0.001, c]), ..f },
        Figures { of_known: None, ..f },
    ] {
        assert_ne!(other.crc(42), crc, "{other:?}");
    }
    assert_ne!(f.crc(43), crc);
}

#[test]
fn a_grid_gives_back_exactly_what_rounding_made() {
    use crate::model::{Name, SignalDef, Unit};
    for resolution in [1.0, 0.1, 0.01, 0.001, 0.5, 0.25, 0.0625, 0.06, 4096.0, 1000.0, 1e6, 0.3] {
        let def = SignalDef::new(Name::new("a.b").unwrap(), Unit::None, resolution, "");
        let g = Grid::of(resolution).unwrap();
        for i in -2000..2000 {
            let v = def.round(f64::from(i) * 0.37);
            if v.to_bits() == (-0.0f64).to_bits() {
                continue; // kept apart as it is
            }
            assert_eq!(g.steps(v).map(|n| g.value(n).to_bits()), Some(v.to_bits()), "{v} at {resolution}");
        }
    }
    for nonsense in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e-320] {
        assert_eq!(Grid::of(nonsense), None, "{nonsense}");
    }
}
