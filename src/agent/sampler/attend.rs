//! Sources: what comes by itself, run as tasks and started again with back-off.

use super::slot::{Health, back_off, state_event};
use super::{Hall, words};
use crate::model::live::ProbeNow;
use crate::model::{Reading, Why, WhyCode};
use crate::probe::Source;
use futures_util::FutureExt;
use std::panic::AssertUnwindSafe;
use std::sync::Arc;

/// Runs a source for as long as the sampler lives.
pub(super) async fn attend(mut source: Box<dyn Source>, hall: Arc<Hall>) {
    let name = source.name().clone();
    let (outlet, pace) = (hall.outlet.clone(), hall.pace);
    let mut troubles = 0_u32;
    let mut in_row = 0;
    let now = |health: Health, troubles| ProbeNow {
        probe: name.clone(),
        period_ms: 0,
        state: health.word().into(),
        took_us: 0,
        troubles: u64::from(troubles),
    };
    outlet.probe(now(Health::Well, 0));
    loop {
        let ended = {
            let run = AssertUnwindSafe(source.run(outlet.clone())).catch_unwind();
            let mut run = std::pin::pin!(run);
            // It counts as well again once it has gone on for a while.
            match tokio::time::timeout(pace.settled, &mut run).await {
                Ok(ended) => ended,
                Err(_) => {
                    if in_row > 0 {
                        in_row = 0;
                        outlet.event(state_event(&name, Health::Well, &hall.clock, ""));
                        outlet.probe(now(Health::Well, troubles));
                    }
                    run.await
                }
            }
        };
        let (health, why) = match ended {
            Ok(why) => (Health::Stuck, why),
            Err(p) => {
                let text = format!("the probe failed inside: {}", words(&*p));
                (Health::Panicked, Why::new(WhyCode::Failed, text))
            }
        };
        troubles = troubles.saturating_add(1);
        in_row += 1;
        if in_row == 1 {
            tracing::warn!(probe = %name, reason = %why.text, "probe in trouble");
            outlet.event(state_event(&name, health, &hall.clock, &why.text));
        }
        outlet.probe(now(health, troubles));
        let mut left = back_off(pace.back_off, pace.back_off.0, in_row);
        while !left.is_zero() {
            let at = hall.clock.now();
            outlet.readings(source.signals().into_iter().map(|id| Reading::unavailable(id, at, why.clone())).collect());
            let step = left.min(pace.tell);
            tokio::time::sleep(step).await;
            left -= step;
        }
    }
}
