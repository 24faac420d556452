//! Cautions where a configuration can hurt somebody.

use crate::config::model::{Action, Config};

/// Mains outdoors.
pub const MAINS: &str = "Mains outdoors belongs on a residual-current device and in weather-proof fittings, to local code \
and by a licensed electrician.";
/// Heating in a closed box.
pub const HEATING: &str = "A heating pad in a closed box is a fire risk: it needs its own over-temperature cut-out and must \
not be covered by anything that burns.";
/// Equipment that moves by itself.
pub const MOVING: &str = "An automatic restart can move a mount: keep people and cables clear of it.";
/// What an agent that is gone cannot do.
pub const DEAD_AGENT: &str = "A dead agent switches nothing off, hence the heater's own cut-out: never rely on `off` or \
`at_most` for safety.";

/// The words by which an action for heating is known.
const HEAT: [&str; 5] = ["heat", "warm", "pad", "dew", "strip"];
/// The words by which an action that may move something is known.
const MOVES: [&str; 9] = ["mount", "slew", "park", "roof", "dome", "focus", "rotat", "shutter", "goto"];

/// Ways to become another user that cannot work here.
const OTHER_USERS: [&str; 5] = ["sudo", "su", "doas", "pkexec", "runuser"];

fn mentions(a: &Action, words: &[&str]) -> bool {
    let mut all = vec![a.name.own().to_lowercase(), a.title.to_lowercase()];
    all.extend(a.run.iter().map(|t| t.to_lowercase()));
    all.iter().any(|t| words.iter().any(|w| t.contains(w)))
}

/// The cautions that apply, one paragraph each.
pub fn cautions(c: &Config) -> Vec<String> {
    let mut lines: Vec<String> = vec![];
    let switches = c.actions.iter().any(|a| a.off.is_some());
    let heats = c.actions.iter().any(|a| mentions(a, &HEAT));
    if heats {
        lines.push(HEATING.into());
    }
    if switches || heats {
        lines.push(DEAD_AGENT.into());
        lines.push(MAINS.into());
    }
    if c.actions.iter().any(|a| a.may_move.is_some()) {
        lines.push(MOVING.into());
    }
    for a in c.actions.iter().filter(|a| a.may_move.is_none() && mentions(a, &MOVES)) {
        lines.push(format!(
            "The action `{}` may move equipment, by its words. If it can, write may_move = true and the hours in which it \
             may. {MOVING}",
            a.title
        ));
    }
    for a in c.actions.iter().filter(|a| a.off.is_none() && mentions(a, &HEAT)) {
        lines.push(format!(
            "The action `{}` switches heating, by its words, and has no switching-off. Write off = […] and at_most.",
            a.title
        ));
    }
    for a in &c.actions {
        let tools = a.run.first().into_iter().chain(a.off.as_ref().and_then(|o| o.first()));
        let other = tools.filter_map(|t| t.rsplit('/').next()).find(|t| OTHER_USERS.contains(t));
        if let Some(t) = other {
            lines.push(format!(
                "The action `{}` wants to become another user by `{t}`. The units forbid that (NoNewPrivileges), and nobody is \
                 there to type a password. Write a unit of your own and start it by systemctl.",
                a.title
            ));
        }
    }
    if !c.actions.is_empty() {
        lines.push(
            "Actions run as the agent's own user. What another user must do goes through the service manager only, by a \
             unit that you wrote for it."
                .into(),
        );
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::parse;

    #[test]
    fn cautions_stand_where_they_apply() {
        assert_eq!(cautions(&Config::default()), Vec::<String>::new());
        let said = |t: &str| cautions(&parse(t, None).unwrap()).join("\n");
        let heater = said("[action.pad]\nrun = [\"socket\", \"on\"]\noff = [\"socket\", \"off\"]\nat_most = \"1 h\"");
        for part in [HEATING, DEAD_AGENT, MAINS, "licensed electrician", "own user"] {
            assert!(heater.contains(part), "{heater}");
        }
        assert!(said("[action.pad]\nrun = [\"socket\", \"on\"]").contains("no switching-off"));
        let other = said("[action.x]\nrun = [\"/usr/bin/sudo\", \"x\"]");
        assert!(other.contains("NoNewPrivileges") && other.contains("`sudo`"), "{other}");
        assert!(said("[action.restart-mount]\nrun = [\"x\"]").contains("may_move = true"));
        let moving = said("[action.x]\nrun = [\"x\"]\nmay_move = true\nhours = \"20:00-22:00\"");
        assert!(moving.contains(MOVING) && !moving.contains(HEATING));
    }
}
