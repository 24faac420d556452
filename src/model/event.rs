//! Events: things that happened at an instant, as the kernel, a probe, a person or the engine told them.

use super::{Name, Span, Stamp};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// One event. Documented keys of `detail` stand at each kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// When it happened (not when it was noticed).
    pub at: Stamp,
    /// The time is known to within this span before `at`: zero for kernel events, one period for what was polled.
    pub within: Span,
    /// Which watched thing; `machine.this`, `agent.this` and `store.this` for the machine, the agent and its store.
    pub thing: Name,
    /// What happened.
    pub kind: EventKind,
    /// One plain sentence or phrase for people; may be empty.
    pub text: String,
    /// Facts for machines.
    pub detail: Map<String, Value>,
}

/// Kinds of events. The snake_case names are stored and served; never rename one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EventKind {
    /// A watched program runs. `pid`, `restart` (true after an end), `command`, `by` ("kernel" or "search").
    ProgramStarted,
    /// A watched program ended. `pid`, `code` or `signal` if known, `core`, `uptime_s`, `how` ("closed", "crashed", "unknown"),
    /// `known_from` where the end is not known from the process itself.
    ProgramEnded,
    /// A watched program was stopped by a signal (state T). `pid`.
    ProgramStopped,
    /// A stopped program runs again. `pid`.
    ProgramContinued,
    /// A sign of life did not come in its limit. `sign` ("tcp", "http", "file", "cpu", "stopped"), `limit_s`.
    SignMissing,
    /// The sign of life is back. `missing_ms`.
    SignBack,
    /// A link (interface or reachability) went down. `interface`.
    LinkDown,
    /// A link came up. `down_ms`.
    LinkUp,
    /// An address of an interface changed. `added`, `removed`.
    AddressChanged,
    /// Access point, bit rate class, duplex or speed of a link changed. `what`, `old`, `new`.
    LinkChanged,
    /// A device left. `usb`, `serial`, `port`, `node`.
    DeviceLeft,
    /// A device arrived. The same, and `away_ms` when it had been here, `speed_mbit`, `was_speed_mbit`.
    DeviceArrived,
    /// A device came back within ten seconds. `away_ms`.
    ContactBreak,
    /// A device came back under another node name. `old`, `new`.
    DeviceRenamed,
    /// A program closed its device node, or the node was deleted under it. `program`, `node`, `deleted`, `must` (it is one of
    /// the nodes that it is configured to keep open).
    DeviceClosed,
    /// A frame arrived. `path`, `light` (bool), `exposure_s`, `type`, `object`, `filter`, `sensor_c`, `set_c`, `bytes`.
    FrameArrived,
    /// A file in the frames folder is damaged. `path`, `why` ("empty", "truncated", "unreadable").
    FrameDamaged,
    /// A line of the kernel's own. `class` ("usb", "over_current", "under_voltage", "io_error", "out_of_memory", "crash",
    /// "throttle", "radio", "other"), `line`, `level`, what the line names (`port`, `device`, `program`, `pid`, `signal`,
    /// `interface`, `reason`), `watched` (the process is one of a watched program), and `held_back`: so many of the class were not told since the last one.
    KernelLine,
    /// A line of a watched text log matched. `class`, `line`, and named groups.
    LogLine,
    /// The wall clock stepped. `by_ms`.
    ClockStep,
    /// The wall clock was synchronised for the first time since boot. `by_ms`.
    ClockSynchronised,
    /// The machine slept. `for_ms`.
    Suspended,
    /// The machine started. `boot_id`, `clean` (bool or null if unknown).
    MachineStarted,
    /// The agent started. `last_run` ("first", "clean", "crash", "power_cut", "machine_restart"), `version`.
    AgentStarted,
    /// The agent stops in an orderly way.
    AgentStopped,
    /// A stretch in which the agent was not looking. `from_ms`, `to_ms`, `why`.
    Gap,
    /// The kernel killed a program for memory. `count`.
    MemoryKill,
    /// A configuration was loaded. `file`.
    ConfigLoaded,
    /// A new configuration was refused; the old one stays. `errors`.
    ConfigRefused,
    /// A probe hangs, panicked, or is well again. `probe`, `state` ("stuck", "panicked", "well").
    ProbeState,
    /// A session began. `session`, `why`.
    SessionStarted,
    /// A session ended. `session`, `why`.
    SessionEnded,
    /// An action ran. `action`, `arguments`, `code`, `output`, `took_ms`.
    ActionRun,
    /// A person marked an incident. `incident`, `mark`, `words`.
    Marked,
    /// Something about the installation changed. `what`, `old`, `new`.
    Changed,
    /// The store is in trouble or well again. `state`, `dropped`.
    StoreState,
    /// More than ten alarms in ten minutes, or the end of it. `count`.
    Flood,
    /// A message left the machine, or could not. `to`, `ok`.
    Sent,
}

impl EventKind {
    /// The stored and served name.
    pub fn code(self) -> String {
        match serde_json::to_value(self) {
            Ok(Value::String(s)) => s,
            _ => String::new(),
        }
    }
    /// From the stored name.
    pub fn from_code(code: &str) -> Option<EventKind> {
        serde_json::from_value(Value::String(code.into())).ok()
    }
}

impl Event {
    /// An event with exact time and no detail.
    pub fn new(at: Stamp, thing: Name, kind: EventKind, text: impl Into<String>) -> Event {
        Event { at, within: Span::ZERO, thing, kind, text: text.into(), detail: Map::new() }
    }
    /// The same with one more fact.
    pub fn with(mut self, key: &str, value: impl Into<Value>) -> Event {
        self.detail.insert(key.into(), value.into());
        self
    }
    /// The same, known only to within `span` before its time.
    pub fn within(mut self, span: Span) -> Event {
        self.within = span;
        self
    }
}
