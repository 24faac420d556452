//! Dark hours: when the Sun stands below a chosen depression, and a table that remembers them.

use super::sun::{self, Site};
use super::{Interval, Night, intervals, night_of};
use crate::model::{Span, UnixMs};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use std::collections::BTreeMap;

/// Depression of the Sun from which it counts as dark unless told otherwise, in degrees: the end of nautical twilight.
pub const DEFAULT_DEPRESSION: f64 = sun::NAUTICAL;

/// Dark hours of a night: the Sun below `depression_deg` degrees under the horizon. Several stretches and none are answers;
/// a zone far from solar time may cut one darkness into the end of one night and the beginning of the next.
pub fn dark_hours(site: &Site, night: &Night, depression_deg: f64) -> Vec<Interval> {
    sun::below(site, night.from, night.to, -depression_deg).intervals
}

/// Where nights are counted: a zone always, a site if one is configured. Without a site the Sun is not known.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    zone: TimeZone,
    site: Option<Site>,
}

impl Default for Place {
    /// No site, nights split at noon UTC.
    fn default() -> Place {
        Place { zone: TimeZone::UTC, site: None }
    }
}

impl From<Site> for Place {
    fn from(site: Site) -> Place {
        Place { zone: site.zone().clone(), site: Some(site) }
    }
}

impl Place {
    /// No site; nights split at noon of this zone.
    pub fn zone_only(zone: TimeZone) -> Place {
        Place { zone, site: None }
    }
    /// The zone.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }
    /// The site, if there is one.
    pub fn site(&self) -> Option<&Site> {
        self.site.as_ref()
    }
    /// The night of an instant.
    pub fn night_of(&self, t: UnixMs) -> Night {
        night_of(t, &self.zone)
    }
    /// Dark hours of a night; none at all (not an empty list) without a site.
    pub fn dark_hours(&self, night: &Night, depression_deg: f64) -> Option<Vec<Interval>> {
        self.site.as_ref().map(|site| dark_hours(site, night, depression_deg))
    }
}

/// Nights that a table keeps.
const KEPT: usize = 800;

/// Dark hours of one place and depression, each night computed once (a night costs about a millisecond). What a running
/// agent and a report ask again and again.
#[derive(Clone, Debug)]
pub struct DarkTable {
    place: Place,
    depression_deg: f64,
    nights: BTreeMap<Date, (Night, Vec<Interval>)>,
    last: Option<Night>,
}

impl DarkTable {
    /// A table for a place, with the depression from which it counts as dark.
    pub fn new(place: Place, depression_deg: f64) -> DarkTable {
        DarkTable { place, depression_deg, nights: BTreeMap::new(), last: None }
    }
    /// The place.
    pub fn place(&self) -> &Place {
        &self.place
    }
    /// The depression in degrees.
    pub fn depression_deg(&self) -> f64 {
        self.depression_deg
    }
    /// The night of an instant.
    pub fn night_of(&mut self, t: UnixMs) -> Night {
        match self.last {
            Some(n) if n.contains(t) => n,
            _ => {
                let n = self.place.night_of(t);
                self.last = Some(n);
                n
            }
        }
    }
    /// Dark hours of a night; none without a site.
    pub fn dark(&mut self, night: &Night) -> Option<&[Interval]> {
        let site = self.place.site.as_ref()?;
        if self.nights.len() >= KEPT && !self.nights.contains_key(&night.date) {
            self.nights.pop_first();
        }
        let fresh = || (*night, dark_hours(site, night, self.depression_deg));
        let kept = self.nights.entry(night.date).or_insert_with(fresh);
        Some(&kept.1)
    }
    /// Whether it is dark; none without a site.
    pub fn is_dark(&mut self, t: UnixMs) -> Option<bool> {
        let night = self.night_of(t);
        self.dark(&night).map(|list| intervals::contains(list, t))
    }
    /// How much darkness is left of this night from an instant on; none without a site.
    pub fn darkness_left(&mut self, t: UnixMs) -> Option<Span> {
        let night = self.night_of(t);
        self.dark(&night).map(|list| intervals::remaining(list, t))
    }
    /// All dark stretches between two instants; none without a site.
    pub fn dark_between(&mut self, from: UnixMs, to: UnixMs) -> Option<Vec<Interval>> {
        self.place.site.as_ref()?;
        let mut all = Vec::new();
        for night in super::nights_between(from, to, &self.place.zone.clone()) {
            all.extend_from_slice(self.dark(&night)?);
        }
        Some(intervals::clip(&all, (from, to)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::night_on;
    use jiff::civil::date;
    use proptest::prelude::*;

    fn site(latitude: f64, longitude: f64, zone: &str) -> Site {
        Site::new(latitude, longitude, 0.0, TimeZone::get(zone).unwrap()).unwrap()
    }

    #[test]
    fn a_far_zone_cuts_the_darkness_in_two() {
        // Noon UTC is midnight in the middle of the Pacific: the night holds the end of one darkness and the start of the next.
        let s = site(-10.0, 179.0, "UTC");
        let n = night_on(date(2026, 3, 20), s.zone());
        let dark = dark_hours(&s, &n, DEFAULT_DEPRESSION);
        assert_eq!(dark.len(), 2);
        assert_eq!((dark[0].0, dark[1].1), (n.from, n.to));
        let t = sun::twilight(&s, n.from, n.to);
        assert!(t.sunset().is_none() != t.sunrise().is_none());
    }

    #[test]
    fn no_darkness_and_nothing_else_are_answers() {
        let s = site(69.6492, 18.9553, "Europe/Oslo");
        let summer = night_on(date(2026, 6, 21), s.zone());
        assert!(dark_hours(&s, &summer, 0.8333).is_empty());
        let pole = site(90.0, 0.0, "UTC");
        let winter = night_on(date(2026, 12, 21), pole.zone());
        assert_eq!(dark_hours(&pole, &winter, 18.0), vec![winter.interval()]);
        assert!(dark_hours(&pole, &winter, f64::NAN).is_empty() && dark_hours(&pole, &winter, 95.0).is_empty());
        assert_eq!(dark_hours(&s, &summer, -91.0), vec![summer.interval()]);
    }

    #[test]
    fn the_table_says_what_the_function_says() {
        let s = site(59.9139, 10.7522, "Europe/Oslo");
        let mut table = DarkTable::new(s.clone().into(), 12.0);
        for day in [date(2026, 10, 24), date(2026, 10, 25), date(2026, 10, 24)] {
            let n = night_on(day, s.zone());
            let direct = dark_hours(&s, &n, 12.0);
            assert_eq!(table.dark(&n).unwrap(), direct);
            let (from, to) = direct[0];
            assert_eq!(table.is_dark(from), Some(true));
            assert_eq!(table.is_dark(to), Some(false));
            assert_eq!(table.darkness_left(from), Some(to - from));
            assert_eq!(table.dark_between(n.from, n.to), Some(direct.clone()));
        }
        let mut nowhere = DarkTable::new(Place::default(), 12.0);
        assert_eq!((nowhere.is_dark(UnixMs(0)), nowhere.darkness_left(UnixMs(0))), (None, None));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        /// A deeper Sun is a subset, and inside a stretch the Sun stands where it should.
        #[test]
        fn darker_is_shorter(lat in -90.0f64..90.0, lon in -180.0f64..180.0, day in 0i64..20_000, d in 0.0f64..17.0) {
            let s = Site::new(lat, lon, 0.0, TimeZone::UTC).unwrap();
            let n = night_of(UnixMs(day * 86_400_000), s.zone());
            let (wide, narrow) = (dark_hours(&s, &n, d), dark_hours(&s, &n, d + 1.0));
            prop_assert!(intervals::subtract(&narrow, &wide).is_empty());
            for (a, b) in &wide {
                let mid = UnixMs(a.0 + (b.0 - a.0) / 2);
                prop_assert!(sun::sun_altitude(&s, mid) < -d + 1e-3);
            }
        }
    }
}
