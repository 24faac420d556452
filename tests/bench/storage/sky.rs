//! Plausible courses of sixty signals, from a seeded generator.

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use tilldawn::model::*;

#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Class {
    Processor,
    Load,
    Memory,
    ProgramProcessor,
    ProgramMemory,
    Threads,
    Temperature,
    DiskFree,
    DiskBytes,
    NetBytes,
    Errors,
    Reach,
    RoundTrip,
}
use Class::*;

pub const CLASSES: [(Class, f64, Unit); 13] = [
    (Processor, 0.1, Unit::Percent),
    (Load, 0.01, Unit::None),
    (Memory, 65536.0, Unit::Bytes),
    (ProgramProcessor, 0.1, Unit::Percent),
    (ProgramMemory, 65536.0, Unit::Bytes),
    (Threads, 1.0, Unit::Count),
    (Temperature, 0.1, Unit::Celsius),
    (DiskFree, 1_048_576.0, Unit::Bytes),
    (DiskBytes, 1024.0, Unit::BytesPerSecond),
    (NetBytes, 1.0, Unit::BytesPerSecond),
    (Errors, 1.0, Unit::PerSecond),
    (Reach, 1.0, Unit::Truth),
    (RoundTrip, 0.001, Unit::Milliseconds),
];

fn plan() -> Vec<Class> {
    let mut p = vec![Temperature; 6];
    p.extend([Processor; 3]);
    p.extend([Load; 3]);
    p.extend([Memory; 3]);
    for _ in 0..10 {
        p.extend([ProgramProcessor, ProgramMemory, Threads]);
    }
    p.extend([DiskFree, DiskBytes, DiskBytes]);
    for _ in 0..2 {
        p.extend([NetBytes, NetBytes, Errors, Errors]);
    }
    p.extend([Reach, RoundTrip, Reach, RoundTrip]);
    assert_eq!(p.len(), 60);
    p
}

/// One signal's course.
pub struct Course {
    pub class: Class,
    pub def: SignalDef,
    x: f64,
    y: f64,
    hold: u32,
}

pub struct Sky {
    rng: Xoshiro256PlusPlus,
    pub courses: Vec<Course>,
}

impl Sky {
    pub fn new(seed: u64) -> Sky {
        let courses = plan()
            .into_iter()
            .enumerate()
            .map(|(i, class)| {
                let (_, resolution, unit) = CLASSES.into_iter().find(|c| c.0 == class).expect("every class is listed");
                let name = Name::from_parts("bench", &format!("signal-{i}"));
                Course { class, def: SignalDef::new(name, unit, resolution, "bench"), x: 0.0, y: 0.0, hold: 0 }
            })
            .collect();
        Sky { rng: Xoshiro256PlusPlus::seed_from_u64(seed), courses }
    }

    /// A standard normal number, from a sum of uniform ones.
    fn normal(rng: &mut Xoshiro256PlusPlus) -> f64 {
        (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0
    }

    /// The next value of every signal; `p` is how far the night has come, 0 to 1.
    pub fn step(&mut self, p: f64, out: &mut Vec<f64>) {
        out.clear();
        let rng = &mut self.rng;
        for (i, c) in self.courses.iter_mut().enumerate() {
            let n = Self::normal(rng);
            let v = match c.class {
                Processor => {
                    c.x += (18.0 - c.x) * 0.2 + n * 2.0;
                    if rng.random::<f64>() < 0.01 { c.x + 30.0 } else { c.x.clamp(0.0, 100.0) }
                }
                Load => {
                    c.x += (0.8 - c.x) * 0.01 + n * 0.02;
                    c.x.max(0.0)
                }
                Memory => {
                    c.x = (c.x + n * 3e5).clamp(-4e8, 4e8);
                    3e9 + c.x
                }
                ProgramProcessor => {
                    if c.hold == 0 {
                        c.x = (0.6 + n * 0.5).max(0.0);
                        c.hold = rng.random_range(0..4);
                    } else {
                        c.hold -= 1;
                    }
                    c.x
                }
                ProgramMemory => {
                    if rng.random::<f64>() < 0.08 {
                        c.x += n * 2e5;
                    }
                    2e8 + c.x
                }
                Threads => {
                    if rng.random::<f64>() < 0.002 {
                        c.x = (n * 1.5).round();
                    }
                    14.0 + c.x
                }
                Temperature => {
                    c.y += (n * 0.004) - c.y * 0.001;
                    6.0 - 7.0 * p + 9.0 * (i % 3) as f64 + c.y + Self::normal(rng) * 0.03
                }
                DiskFree => {
                    c.x -= 1.2e6 * (1.0 + n).max(0.0);
                    if c.x < -2e10 {
                        c.x = 0.0;
                    }
                    6e10 + c.x
                }
                DiskBytes => {
                    if rng.random::<f64>() < 0.12 {
                        (2e5 * (1.0 + n)).abs()
                    } else {
                        0.0
                    }
                }
                NetBytes => (8.0 + 0.8 * n).exp(),
                Errors => f64::from(rng.random::<f64>() < 0.0005),
                Reach => f64::from(rng.random::<f64>() > 0.0005),
                RoundTrip => (-1.6 + 0.25 * n).exp(),
            };
            out.push(c.def.round(v) + 0.0);
        }
    }
}
