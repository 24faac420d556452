//! The engine's step: quiet cycles of 60 to 1,000 signals, a cycle in which every signal is past its limit, and what is
//! published and stored. `cargo bench --bench engine`. A quiet step must not allocate: that is checked before measuring.
#![allow(unsafe_code, clippy::unwrap_used)]

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use jiff::tz::TimeZone;
use std::alloc::{GlobalAlloc, Layout, System};
use std::hint::black_box;
use std::sync::atomic::{AtomicU64, Ordering};
use tilldawn::config::Config;
use tilldawn::config::model::{During, Test};
use tilldawn::engine::{Engine, Plan};
use tilldawn::model::{Batch, BootMs, Name, Reading, SignalDef, SignalId, Signals, Span, Stamp, Unit, UnixMs};

/// Counts allocations.
struct Counting;

static ALLOCATIONS: AtomicU64 = AtomicU64::new(0);

// SAFETY: every call is handed on to the system's allocator unchanged.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        ALLOCATIONS.fetch_add(1, Ordering::Relaxed);
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, p: *mut u8, layout: Layout) {
        unsafe { System.dealloc(p, layout) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

struct World {
    engine: Engine,
    signals: Signals,
    ids: Vec<SignalId>,
    ms: i64,
}

/// An engine with `n` signals, each under one rule with a delay.
fn world(n: usize) -> World {
    let signals = Signals::new();
    let mut c = Config::default();
    let mut rule = c.rules[0].clone();
    rule.name = Name::new("rule.high").unwrap();
    rule.test = Test::Above(50.0);
    rule.deadband = 1.0;
    rule.on_delay = Span::hours(1_000_000);
    rule.during = During::Always;
    let ids = (0..n)
        .map(|i| {
            let name = Name::new(format!("pressure.p{i}")).unwrap();
            rule.on.push(name.clone());
            signals.register(SignalDef::new(name, Unit::Percent, 0.1, "test"))
        })
        .collect();
    c.rules.push(rule);
    World { engine: Engine::new(Plan::from_config(&c, vec![], TimeZone::UTC), None), signals, ids, ms: 0 }
}

impl World {
    fn batch(&mut self, v: f64) -> Batch {
        let mut b = Batch::default();
        self.refill(&mut b, v);
        b
    }
    fn refill(&mut self, b: &mut Batch, v: f64) {
        self.ms += 1000;
        b.at = Stamp::new(UnixMs(self.ms), BootMs(self.ms));
        b.readings.clear();
        b.readings.extend(self.ids.iter().map(|id| Reading::known(*id, b.at, v)));
    }
}

fn steps(c: &mut Criterion) {
    let mut group = c.benchmark_group("step");
    for n in [60, 300, 1000] {
        for (what, v) in [("quiet", 10.0), ("past the limit", 60.0)] {
            let mut w = world(n);
            let mut b = w.batch(10.0);
            w.engine.step(&b, &w.signals);
            // Long enough that every window that is kept has its full size.
            for _ in 0..4000 {
                w.refill(&mut b, v);
                w.engine.step(&b, &w.signals);
            }
            if v < 50.0 {
                let before = ALLOCATIONS.load(Ordering::Relaxed);
                for _ in 0..100 {
                    w.refill(&mut b, v);
                    black_box(w.engine.step(&b, &w.signals));
                }
                assert_eq!(ALLOCATIONS.load(Ordering::Relaxed) - before, 0, "a quiet step allocates");
            }
            group.throughput(Throughput::Elements(n as u64));
            group.bench_function(BenchmarkId::new(what, n), |x| {
                x.iter(|| {
                    w.refill(&mut b, v);
                    black_box(w.engine.step(&b, &w.signals));
                });
            });
        }
    }
    group.finish();
    let mut w = world(60);
    let b = w.batch(10.0);
    w.engine.step(&b, &w.signals);
    c.bench_function("standing", |x| x.iter(|| black_box(w.engine.standing())));
    c.bench_function("state", |x| x.iter(|| black_box(w.engine.state())));
}

criterion_group!(benches, steps);
criterion_main!(benches);
