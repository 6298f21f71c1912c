//! What benchmarks share: libraries of another language at the same work.

use serde_json::Value;
use std::io::Write;
use std::process::{Command, Stdio};

/// What `peers.py` measured with these numbers; `None`, with a line that says so, where its libraries are not at hand.
pub fn peer(work: &str, given: &Value) -> Option<Value> {
    let python = std::env::var("PEERS_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/peers.py");
    let child = Command::new(python)
        .args([script, work])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn();
    let measured = child.ok().and_then(|mut child| {
        child.stdin.take()?.write_all(given.to_string().as_bytes()).ok()?;
        serde_json::from_slice(&child.wait_with_output().ok()?.stdout).ok()
    });
    if measured.is_none() {
        println!("not compared: no SciPy and MuJoCo at hand (PEERS_PYTHON names an interpreter that has them)");
    }
    measured
}
