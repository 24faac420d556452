//! Runs a configured command: fixed arguments, no shell, its own time limit, output kept to a bounded length.

use crate::config::model::Action;
use crate::model::{Event, EventKind, Span, Stamp};
use std::process::Stdio;
use tokio::io::{AsyncRead, AsyncReadExt};
use tokio::process::Command;

/// Bytes of output that are kept with a run.
const OUTPUT_LIMIT: usize = 4096;

/// Which of the two commands of an action.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// Its `run`.
    On,
    /// Its `off`.
    Off,
}

/// Runs one command of `action` to its end or its time limit, and tells what came of it. `at` stamps the event.
pub async fn run(action: &Action, way: Way, because: &str, at: Stamp) -> Event {
    let arguments = match way {
        Way::On => action.run.clone(),
        Way::Off => action.off.clone().unwrap_or_default(),
    };
    let word = if way == Way::On { "" } else { " (switching off)" };
    let event = |text: String| {
        Event::new(at, action.name.clone(), EventKind::ActionRun, text)
            .with("action", action.name.as_str())
            .with("off", way == Way::Off)
            .with("because", because)
            .with("arguments", arguments.clone())
    };
    let Some((program, rest)) = arguments.split_first() else {
        return event(format!("{}{word} has no command to run", action.title)).with("ok", false);
    };
    let begun = std::time::Duration::from_micros(crate::clock::monotonic_us());
    let child = Command::new(program)
        .args(rest)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        .spawn();
    let mut child = match child {
        Ok(c) => c,
        Err(e) => {
            let text = format!("{}{word} could not be started: `{program}`: {e}", action.title);
            return event(text).with("ok", false);
        }
    };
    let (out, err) = (child.stdout.take(), child.stderr.take());
    let whole = async {
        let (o, e, status) = tokio::join!(bounded(out), bounded(err), child.wait());
        (o, e, status)
    };
    let limit = action.time_limit;
    let result = tokio::time::timeout(limit.to_std(), whole).await;
    let took = Span::from(std::time::Duration::from_micros(crate::clock::monotonic_us()).saturating_sub(begun));
    match result {
        Err(_) => {
            // Dropping would kill it too; doing so now lets the event say so.
            let _ = child.start_kill();
            let _ = child.wait().await;
            event(format!("{}{word} was stopped after its time limit of {limit}", action.title))
                .with("ok", false)
                .with("took_ms", took.0)
        }
        Ok((o, e, Err(error))) => event(format!("{}{word} could not be waited for: {error}", action.title))
            .with("ok", false)
            .with("output", o + &e),
        Ok((o, e, Ok(status))) => {
            let ok = status.success();
            let said = if ok { "ran".to_string() } else { format!("failed ({status})") };
            event(format!("{}{word} {said} in {took}", action.title))
                .with("ok", ok)
                .with("code", status.code())
                .with("output", o + &e)
                .with("took_ms", took.0)
        }
    }
}

/// Reads to the end and keeps the first [`OUTPUT_LIMIT`] bytes, so that a chatty command neither blocks nor fills the store.
async fn bounded(source: Option<impl AsyncRead + Unpin>) -> String {
    let Some(mut source) = source else { return String::new() };
    let (mut kept, mut piece) = (Vec::new(), [0u8; 1024]);
    while let Ok(n) = source.read(&mut piece).await {
        if n == 0 {
            break;
        }
        let room = OUTPUT_LIMIT.saturating_sub(kept.len());
        kept.extend_from_slice(&piece[..n.min(room)]);
    }
    String::from_utf8_lossy(&kept).into_owned()
}

#[cfg(all(test, unix))]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::model::Name;

    fn action(run: &[&str], limit: Span) -> Action {
        Action {
            name: Name::new("action.test").unwrap(),
            title: "helper".into(),
            run: run.iter().map(|s| s.to_string()).collect(),
            off: None,
            at_most: None,
            time_limit: limit,
            per_night: 1,
            cool_down: Span::ZERO,
            may_move: None,
        }
    }

    async fn event(run_: &[&str], limit: Span) -> Event {
        run(&action(run_, limit), Way::On, "test", Stamp::default()).await
    }

    #[tokio::test]
    async fn output_and_code_are_kept_and_no_shell_reads_the_arguments() {
        let e = event(&["/bin/echo", "$HOME;", "`id`"], Span::secs(20)).await;
        assert_eq!(e.detail["ok"], true);
        assert_eq!(e.detail["output"], "$HOME; `id`\n");
        assert_eq!(event(&["/bin/false"], Span::secs(20)).await.detail["code"], 1);
    }

    #[tokio::test]
    async fn an_endless_command_is_stopped_and_a_missing_one_is_named() {
        let e = event(&["/bin/sleep", "1000"], Span(50)).await;
        assert!(e.text.contains("time limit"), "{}", e.text);
        let e = event(&["/nonexistent/helper"], Span::secs(5)).await;
        assert!(e.text.contains("/nonexistent/helper"), "{}", e.text);
        assert_eq!(e.detail["ok"], false);
    }

    #[tokio::test]
    async fn a_chatty_command_is_kept_short() {
        let e = event(&["/usr/bin/head", "-c", "200000", "/dev/zero"], Span::secs(20)).await;
        assert_eq!(e.detail["output"].as_str().unwrap().len(), OUTPUT_LIMIT);
    }
}
