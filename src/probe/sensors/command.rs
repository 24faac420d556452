//! A number out of a command's output. Fixed arguments, no shell, its own time limit.

use super::number::{self, LONGEST};
use super::{Raw, RawSource};
use crate::model::{Span, Stamp, Why, WhyCode};
use std::io::Read;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A command that prints the number.
pub struct Output {
    arguments: Vec<String>,
    pointer: Option<String>,
    deadline: Duration,
}

impl Output {
    /// Program and arguments; killed after `deadline`.
    pub fn new(arguments: Vec<String>, pointer: Option<String>, deadline: Span) -> Output {
        Output { arguments, pointer, deadline: deadline.to_std() }
    }
}

/// Ends the child whatever happens: no command outlives its reading.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl RawSource for Output {
    fn read(&mut self, _at: Stamp) -> Result<Raw, Why> {
        let failed = |t: String| Why::new(WhyCode::Failed, t);
        let Some((program, rest)) = self.arguments.split_first() else {
            return Err(failed("there is no command to run".into()));
        };
        let child = Command::new(program)
            .args(rest)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|e| Why::from_io(&format!("`{program}`"), &e))?;
        let mut child = Ended(child);
        let mut out = child.0.stdout.take().ok_or_else(|| failed(format!("`{program}`: no output to read")))?;
        let reading = std::thread::Builder::new()
            .name("output".into())
            .spawn(move || {
                let mut text = Vec::new();
                let _ = out.by_ref().take(LONGEST as u64).read_to_end(&mut text);
                // What is beyond the limit is read and thrown away, so that the command does not wait for room.
                let _ = std::io::copy(&mut out, &mut std::io::sink());
                text
            })
            .map_err(|e| failed(format!("no thread for the output of `{program}`: {e}")))?;
        let begun = Instant::now();
        let status = loop {
            match child.0.try_wait() {
                Ok(Some(s)) => break s,
                Ok(None) if begun.elapsed() < self.deadline => std::thread::sleep(Duration::from_millis(10)),
                Ok(None) => {
                    let text = format!("`{program}` did not end within {}", Span::from(self.deadline));
                    return Err(Why::new(WhyCode::TimedOut, text));
                }
                Err(e) => return Err(failed(format!("`{program}`: {e}"))),
            }
        };
        if !status.success() {
            return Err(failed(format!("`{program}` failed ({status})")));
        }
        // A grandchild may hold the pipe open; the reading is not waited for beyond the deadline.
        while !reading.is_finished() {
            if begun.elapsed() >= self.deadline {
                return Err(Why::new(WhyCode::TimedOut, format!("`{program}` left its output open")));
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        let text = reading.join().map_err(|_| failed("reading the output failed inside".into()))?;
        Ok(Raw { number: number::number_in(&text, self.pointer.as_deref())?, age: Span::ZERO })
    }
}
