//! How often the judgement on many nights is right, over invented seasons whose truth is known: false blame, power, thresholds,
//! entangled signals, remedies. Prints a Markdown table with the Monte-Carlo error beside each figure.
//!
//!     cargo bench --bench calibration                     all cases, 1000 seasons each
//!     cargo bench --bench calibration -- 100 no-cause     100 seasons, cases whose name holds the word
//!     cargo bench --bench calibration -- stores 400       every season through the real engine into a store of its own, and read from
//!                                                         there as `nights` reads it

#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod causes;
mod remedies;

use std::time::Instant;
use tilldawn::analysis::season::Season;
use tilldawn::analysis::thermal::means::Stretch;
use tilldawn::model::{Span, UnixMs};
use tilldawn::rehearse::garden::happen;
use tilldawn::rehearse::pier;
use tilldawn::rehearse::run::{GARDEN_STEP, Rehearsal, rehearse};
use tilldawn::rehearse::season::table;
use tilldawn::rehearse::truth::{Case, Onset, TrueRemedy, World};
use tilldawn::report::season::{Wish, gather};
use tilldawn::report::settings::Settings;
use tilldawn::store::Reader;

const SEASONS: usize = 1000;

/// Seeds start here: none from here on was seen while the analysis was being tuned.
const FIRST_SEED: u64 = 20_000;

/// Where the seasons come from.
#[derive(Clone, Copy)]
enum Route {
    /// The tables of the analysis, made straight from the garden.
    Tables,
    /// A store that the real engine and the real writer filled.
    Stores,
}

/// A season whose truth is known.
struct Known {
    season: Season,
    /// The box while the chain was up, where a store was read.
    boxes: Vec<Stretch>,
    level: f64,
    outside_level: f64,
}

fn season(from: Route, case: Case, world: &World, seed: u64) -> Known {
    // The same one either way.
    let g = happen(world, seed, GARDEN_STEP);
    let (season, boxes) = match from {
        Route::Tables => (table(&g, 2, seed), Vec::new()),
        Route::Stores => {
            let dir = tempfile::tempdir().unwrap();
            let path = dir.path().join("rehearsed.db");
            let r = Rehearsal {
                step: Span::secs(60),
                idle: 2,
                world: Some(world.clone()),
                ..Rehearsal::of(case, world.nights, seed)
            };
            rehearse(&path, &r, &mut |_| {}).unwrap();
            let reader = Reader::open(&path).unwrap();
            let settings = Settings::from_config(&pier::configuration().unwrap());
            let read = gather(&reader, settings, &Wish::default(), UnixMs(i64::MAX / 4), &|_, _| {}).unwrap();
            (read.season, read.air.boxes)
        }
    };
    Known { season, boxes, level: g.level, outside_level: g.outside_level }
}

struct Row {
    what: String,
    asked: String,
    hits: f64,
    of: f64,
    note: String,
}

impl Row {
    fn print(&self) {
        let p = self.hits / self.of;
        // Agresti and Coull's centre keeps the error from being 0 at 0 and 1.
        let q = (self.hits + 2.0) / (self.of + 4.0);
        let se = (q * (1.0 - q) / (self.of + 4.0)).sqrt();
        let (what, asked, note) = (&self.what, &self.asked, &self.note);
        println!("| {what} | {asked} | {:.1} % ± {:.1} | {:.0} | {note} |", 100.0 * p, 100.0 * se, self.of);
    }
}

fn main() {
    let args: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with("--")).collect();
    let n = args.iter().find_map(|a| a.parse().ok()).unwrap_or(SEASONS);
    let from = if args.iter().any(|a| a == "stores") { Route::Stores } else { Route::Tables };
    let word = args.iter().find(|a| a.parse::<usize>().is_err() && *a != "stores").cloned().unwrap_or_default();
    let on = |name: &str| name.contains(&word);
    // Two threads at most: this runs beside other work.
    rayon::ThreadPoolBuilder::new().num_threads(2).build_global().unwrap();
    let start = Instant::now();
    println!("| case | asked | found | seasons | |\n| --- | --- | --- | --- | --- |");
    for case in [Case::NoCause, Case::CoolingWear, Case::BadWeeks, Case::Bursts, Case::CoolsAfterDeath] {
        if on(case.word()) {
            causes::false_blame(from, case, 25, 20.0, n);
        }
    }
    for case in [Case::ColdContact, Case::StarvedProcessor, Case::WeakRadio, Case::MemoryLeak] {
        if on(case.word()) {
            causes::power(from, case, 22.0, (15, usize::MAX), "≥ 85 %; ", n);
            causes::power(from, case, 8.0, (5, 10), "", n);
        }
    }
    if on("cold-and-late") {
        causes::entangled(from, n);
    }
    if on("warm-nights") {
        remedies::never_helped(
            from,
            Case::RemedyMetWarmNights,
            "placebo that met warm nights",
            &Case::RemedyMetWarmNights.world(45, 40.0),
            n,
        );
    }
    if on("useless") {
        remedies::never_helped(
            from,
            Case::UselessRemedy,
            "useless remedy after the worst run",
            &Case::UselessRemedy.world(45, 40.0),
            n,
        );
    }
    if on("every-morning") {
        let remedy = TrueRemedy { onset: Onset::Night(20), rate_factor: 1.0, warmer_after: 0.0, heats: 0.0 };
        let world = World { remedy: Some(remedy), ..Case::UselessRemedy.world(42, 38.0) };
        remedies::never_helped(from, Case::UselessRemedy, "useless remedy on any evening", &world, n);
    }
    if on("tenfold") {
        remedies::tenfold(from, n);
    }
    eprintln!("{:.0} s", start.elapsed().as_secs_f64());
}
