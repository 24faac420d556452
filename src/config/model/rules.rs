//! How it is judged, and what follows, as configured.

use crate::model::{Name, Priority, Span};

/// When a rule holds.
#[derive(Clone, Debug, PartialEq)]
pub enum During {
    /// In a session.
    Session,
    /// Always.
    Always,
    /// While it is dark.
    Dark,
    /// Between two local clock times, in minutes after midnight; may pass midnight.
    Clock {
        /// From.
        from_min: u16,
        /// To.
        to_min: u16,
    },
}

/// What a rule judges.
#[derive(Clone, Debug, PartialEq)]
pub enum Test {
    /// Value below the limit.
    Below(f64),
    /// Value above the limit.
    Above(f64),
    /// Value outside a range.
    Outside(f64, f64),
    /// Nothing read (or the thing is away) for `on_delay`.
    Missing,
    /// Value differs from this one.
    DiffersFrom(f64),
    /// Change per hour beyond this size (sign tells the direction; `within` is the stretch over which it is measured).
    RateOfChange {
        /// Per hour, in the signal's unit; negative: falls faster than this.
        per_hour: f64,
        /// Stretch.
        within: Span,
    },
    /// Away from the mean of the stretch before by more than this many units.
    Deviation {
        /// In the signal's unit.
        by: f64,
        /// Stretch.
        within: Span,
    },
    /// One of the built-in conditions that is not one number against a limit.
    Builtin(Builtin),
}

/// The built-in conditions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Builtin {
    /// Exit of a chain program.
    ProgramEnded,
    /// A sign of life is missing.
    ProgramHangs,
    /// A USB device is away.
    DeviceGone,
    /// No light frame for longer than its limit.
    NoLightFrame,
    /// House or gateway out of reach.
    LinkDown,
    /// Box above the limit.
    BoxTooHot,
    /// Box below the learned or set limit.
    BoxCold,
    /// Dew-point margin below the limit.
    DewMarginSmall,
    /// Processor pressure stall above the limit.
    ProcessorStarved,
    /// Available memory below the limit, or a program killed for memory.
    MemoryShort,
    /// Less room than tonight's need at the present pace, or below the limit.
    Disk,
    /// Clock unsynchronised or off.
    ClockNotSet,
    /// A configured probe unavailable.
    CannotRead,
    /// A probe hangs or panicked.
    ProbeStuck,
    /// The machine stopped or slept in a session.
    MachineStopped,
}

/// A rule.
#[derive(Clone, Debug, PartialEq)]
pub struct Rule {
    /// `rule.…`
    pub name: Name,
    /// Said to people ("box too hot").
    pub title: String,
    /// Signals or things that it judges. Empty for built-ins: every thing of their kind.
    pub on: Vec<Name>,
    /// What it judges.
    pub test: Test,
    /// Limit of a built-in that has one, in its own unit.
    pub limit: Option<f64>,
    /// Must last this long.
    pub on_delay: Span,
    /// Must be over this long.
    pub off_delay: Span,
    /// The value must be past the limit by this much to return, in the signal's unit.
    pub deadband: f64,
    /// How much it matters.
    pub priority: Priority,
    /// When it holds.
    pub during: During,
    /// Wakes after it has stood for this long (in session, dark, at least 60 min of darkness left); none: never.
    pub wakes_after: Option<Span>,
    /// It wakes always, session or not.
    pub wakes_always: bool,
    /// False: switched off by the person.
    pub enabled: bool,
    /// Action to run when raised.
    pub action: Option<Name>,
}

/// An action that a rule may run. Off unless configured.
#[derive(Clone, Debug, PartialEq)]
pub struct Action {
    /// `action.…`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// Program and arguments; no shell.
    pub run: Vec<String>,
    /// Its switching-off: sent when the rule returns, after `at_most`, at stop and at start.
    pub off: Option<Vec<String>>,
    /// Longest time that it stays on.
    pub at_most: Option<Span>,
    /// Time limit of one run.
    pub time_limit: Span,
    /// At most so many runs per night.
    pub per_night: u32,
    /// Least time between two runs.
    pub cool_down: Span,
    /// It can move equipment; then it only runs between these local clock times (minutes after midnight).
    pub may_move: Option<(u16, u16)>,
}

/// Where alarms go beyond this machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Notice {
    /// `notice.…`
    pub name: Name,
    /// Least priority that is sent.
    pub at_least: Priority,
    /// Only what wakes.
    pub only_wakes: bool,
    /// How.
    pub by: NoticeBy,
}

/// Ways out.
#[derive(Clone, Debug, PartialEq)]
pub enum NoticeBy {
    /// A command; the alarm as JSON on its standard input. No shell.
    Command(Vec<String>),
    /// HTTP POST of JSON.
    Webhook(String),
    /// MQTT publish of JSON.
    Mqtt {
        /// `host:port`
        broker: String,
        /// Topic.
        topic: String,
    },
}
