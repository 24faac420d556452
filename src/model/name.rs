//! Names of signals and watched things: dotted lower-case parts, `kind.name` or `kind.name.quantity`.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;
use std::sync::Arc;

/// A checked name such as `program.mount`, `temperature.box` or `link.house.loss`. Cheap to clone.
///
/// The first part is the kind. A watched thing has two parts; a quantity of that thing adds a third. Each part is
/// made of `a`–`z`, `0`–`9`, `-` and `_`, and is neither empty nor longer than 64 bytes.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Name(Arc<str>);

/// Why a text is not a name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` is not a name: expected two or three parts of a–z, 0–9, `-` or `_`, joined by dots, such as `program.mount`"
)]
pub struct BadName(pub String);

impl Name {
    /// Checks and takes a name.
    pub fn new(text: impl AsRef<str>) -> Result<Name, BadName> {
        let t = text.as_ref();
        let parts = t.split('.').count();
        let good = (2..=3).contains(&parts)
            && t.split('.').all(|p| {
                !p.is_empty()
                    && p.len() <= 64
                    && p.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-' || b == b'_')
            });
        if good { Ok(Name(t.into())) } else { Err(BadName(t.into())) }
    }

    /// A name from free text (a sensor's label, a unit's file name): other characters become `-`.
    pub fn from_parts(kind: &str, free: &str) -> Name {
        Name(format!("{}.{}", Self::part(kind), Self::part(free)).into())
    }

    /// The quantity `q` of this thing: `link.house` and `loss` give `link.house.loss`.
    pub fn quantity(&self, q: &str) -> Name {
        let thing = self.thing();
        Name(format!("{}.{}", thing.0, Self::part(q)).into())
    }

    /// Free text made fit to be one part of a name.
    pub fn part(free: &str) -> String {
        let mut out = String::new();
        for c in free.trim().chars() {
            let c = c.to_ascii_lowercase();
            let c = if c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_' { c } else { '-' };
            if !(c == '-' && (out.ends_with('-') || out.is_empty())) && out.len() < 64 {
                out.push(c);
            }
        }
        while out.ends_with('-') {
            out.pop();
        }
        if out.is_empty() { "unnamed".into() } else { out }
    }

    /// The whole name.
    pub fn as_str(&self) -> &str {
        &self.0
    }
    /// The first part: `program`, `link`, `temperature`, …
    pub fn kind(&self) -> &str {
        self.0.split('.').next().unwrap_or("")
    }
    /// The second part: what the person called it.
    pub fn own(&self) -> &str {
        self.0.split('.').nth(1).unwrap_or("")
    }
    /// The third part, if any.
    pub fn of_thing(&self) -> Option<&str> {
        self.0.split('.').nth(2)
    }
    /// The watched thing that this name belongs to (itself, if it has two parts).
    pub fn thing(&self) -> Name {
        match self.0.match_indices('.').nth(1) {
            Some((i, _)) => Name(self.0[..i].into()),
            None => self.clone(),
        }
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Serialize for Name {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Name {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Name, D::Error> {
        let t = String::deserialize(d)?;
        Name::new(&t).map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_checked_and_split() {
        let n = Name::new("link.house.loss").unwrap();
        assert_eq!((n.kind(), n.own(), n.of_thing()), ("link", "house", Some("loss")));
        assert_eq!(n.thing().as_str(), "link.house");
        for bad in ["", "link", "Link.house", "a.b.c.d", "a..b", "a.b c"] {
            assert!(Name::new(bad).is_err(), "{bad}");
        }
        assert_eq!(Name::from_parts("temperature", "Core 0 (°C)").as_str(), "temperature.core-0-c");
    }
}
