//! Unevenness of a link: interarrival jitter as RFC 3550, section 6.4.1 and appendix A.8, defines it.
//!
//! D = (R − R′) − (S − S′) for a packet and the one before it; J += (|D| − J) / 16, J from 0. Times in any one unit; the two
//! clocks need not agree. Lost packets are left out: the next one is compared with the last that came.

use super::error::{self, Result};

/// The running estimate.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Jitter {
    last: Option<f64>,
    value: f64,
}

impl Jitter {
    /// Take in one packet; gives back the difference D to the one before, none for the first.
    ///
    /// # Errors
    /// Times that are not finite; the estimate is unchanged then.
    pub fn add(&mut self, sent: f64, received: f64) -> Result<Option<f64>> {
        error::finite("times of a packet", &[sent, received])?;
        let transit = error::finite_one("the transit time", received - sent)?;
        let difference = self.last.replace(transit).map(|last| transit - last);
        if let Some(d) = difference {
            self.value += (d.abs() - self.value) / 16.0;
        }
        Ok(difference)
    }
    /// The estimate so far, in the unit of the times; 0 before the second packet.
    pub fn value(&self) -> f64 {
        self.value
    }
}

/// The estimate after each packet from the second on.
///
/// # Errors
/// Unequal lists, times that are not finite.
pub fn series(sent: &[f64], received: &[f64]) -> Result<Vec<f64>> {
    error::same_length("times of sending and receiving", sent, received)?;
    let mut j = Jitter::default();
    let mut out = Vec::with_capacity(sent.len());
    for (s, r) in sent.iter().zip(received) {
        if j.add(*s, *r)?.is_some() {
            out.push(j.value());
        }
    }
    Ok(out)
}

/// The same in whole numbers, as appendix A.8 computes it with a state scaled by 16.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct WholeJitter {
    last: Option<i64>,
    state: i64,
}

impl WholeJitter {
    /// Take in one packet.
    pub fn add(&mut self, sent: i64, received: i64) {
        let transit = received.saturating_sub(sent);
        if let Some(last) = self.last.replace(transit) {
            let d = i64::try_from(transit.abs_diff(last)).unwrap_or(i64::MAX);
            self.state = self.state.saturating_add(d).saturating_sub(self.state.saturating_add(8) >> 4);
        }
    }
    /// The state, 16 times the estimate.
    pub fn state(&self) -> i64 {
        self.state
    }
    /// What is reported.
    pub fn report(&self) -> i64 {
        self.state >> 4
    }
}
