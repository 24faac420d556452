//! Writing to the person: a reader that has gone away (`| head`) is no error and no panic.

use std::io::{self, Write};

/// Writes `text` to standard output, with a line end if it has none.
pub fn say(text: &str) {
    put(&mut io::stdout().lock(), text);
}

/// Writes `text` to standard error, with a line end if it has none.
pub fn complain(text: &str) {
    put(&mut io::stderr().lock(), text);
}

fn put(out: &mut impl Write, text: &str) {
    // Nobody is left to tell when the reader is gone.
    let _ = out.write_all(text.as_bytes());
    if !text.ends_with('\n') {
        let _ = out.write_all(b"\n");
    }
    let _ = out.flush();
}
