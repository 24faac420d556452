//! Dark hours around now, for the engine and the page; kept for the night, since they cost a millisecond each to find.

use crate::config::Config;
use crate::model::{Span, UnixMs};
use crate::night;
use crate::report::settings::zone_here;
use jiff::tz::TimeZone;

/// Dark stretches of last night, tonight and the next night; found anew when the night changes.
#[derive(Debug)]
pub struct Darkness {
    site: Option<(night::Site, f64)>,
    zone: TimeZone,
    of_night: Option<UnixMs>,
}

impl Darkness {
    /// For this configuration. Without a site there are no dark hours, which is not the same as bright ones.
    pub fn new(config: &Config) -> Darkness {
        let zone = zone_here(config);
        let site = config.site.as_ref().and_then(|s| {
            match night::Site::new(s.latitude, s.longitude, s.elevation, zone.clone()) {
                Ok(place) => Some((place, s.dark_below)),
                Err(e) => {
                    // The configuration was checked, so this speaks of a hole in that check; darkness stays unknown.
                    tracing::error!(error = %e, "the site is not usable; dark hours are unknown");
                    None
                }
            }
        });
        Darkness { site, zone, of_night: None }
    }

    /// The zone of local times.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }

    /// Altitude of the Sun's centre in degrees; none without a site.
    pub fn sun_altitude(&self, now: UnixMs) -> Option<f64> {
        self.site.as_ref().map(|(site, _)| night::sun_altitude(site, now))
    }

    /// The stretches, if the night has changed since the last call; none: nothing new.
    pub fn refresh(&mut self, now: UnixMs) -> Option<Vec<(UnixMs, UnixMs)>> {
        let tonight = night::night_of(now, &self.zone);
        if self.of_night == Some(tonight.from) {
            return None;
        }
        self.of_night = Some(tonight.from);
        let Some((site, below)) = &self.site else { return Some(vec![]) };
        let mut all = Vec::new();
        for days in [-24, 0, 24] {
            let n = night::night_of(now + Span::hours(days), &self.zone);
            all.extend(night::dark_hours(site, &n, *below));
        }
        Some(all)
    }
}
