//! Statements of the xAPI 1.0.3, one a line: for each attempt as it was handed in one that it was passed or failed, with its score, and
//! one that it was completed.
//!
//! The actor is an account with the pseudonym as its name. A statement's id follows from the hash of the attempt's entry and the verb
//! (a UUID of version 5), so that what is sent twice is known by whoever receives it. All that has no place in the standard stands
//! in extensions, and so does, in every statement, that this is for education only. IRIs lie below [`BASE`], a name that by RFC 2606
//! belongs to nobody.
//!
//! Limits: judgements under other goals, comments and sign-offs are left out. Extensions may hold null; nothing else does.

use super::Form;
use super::judged::Judged;
use super::table::unit_of;
use crate::debrief::text::NOTICE;
use crate::logbook::moment;
use serde_json::{Map, Value, json};
use std::fs::File;
use std::io::{self, BufWriter, Write as _};
use uuid::Uuid;

/// What all IRIs of ours begin with.
pub const BASE: &str = "https://corecleft.example";

/// Whose statements these are, for ids: the UUID of version 5 of [`BASE`] as a URL.
fn namespace() -> Uuid {
    Uuid::new_v5(&Uuid::NAMESPACE_URL, BASE.as_bytes())
}

/// Statements under way.
pub(super) struct Lines(pub(super) BufWriter<File>);

impl Form for Lines {
    fn take(&mut self, part: &[Judged]) -> io::Result<u64> {
        let mut count = 0;
        for statement in part.iter().filter(|judged| judged.is_as_handed_in()).flat_map(statements) {
            serde_json::to_writer(&mut self.0, &statement)?;
            self.0.write_all(b"\n")?;
            count += 1;
        }
        Ok(count)
    }

    fn end(mut self: Box<Self>) -> io::Result<()> {
        self.0.flush()
    }
}

/// The two statements on an attempt.
pub fn statements(judged: &Judged) -> [Value; 2] {
    let verb = if judged.pass { "passed" } else { "failed" };
    let mut result = json!({ "success": judged.pass, "extensions": { of("components"): components(judged) } });
    if let Some(score) = judged.score {
        let raw = score.clamp(0.0, 100.0);
        result["score"] = json!({ "scaled": raw / 100.0, "raw": raw, "min": 0, "max": 100 });
    }
    [statement(judged, verb, result), statement(judged, "completed", json!({ "completion": true }))]
}

fn statement(judged: &Judged, verb: &str, mut result: Value) -> Value {
    if let Some(seconds) = judged.duration_s {
        result["duration"] = duration(seconds).into();
    }
    let mut statement = json!({
        "id": Uuid::new_v5(&namespace(), format!("{} {verb}", judged.hash).as_bytes()).to_string(),
        "actor": {
            "objectType": "Agent",
            "account": { "homePage": BASE, "name": judged.trainee },
        },
        "verb": {
            "id": format!("http://adlnet.gov/expapi/verbs/{verb}"),
            "display": { "en": verb },
        },
        "object": {
            "objectType": "Activity",
            "id": format!("{BASE}/eye/{}", judged.eye),
            "definition": {
                "type": "http://adlnet.gov/expapi/activities/simulation",
                "name": { "en": format!("{}, seed {}", judged.scenario, judged.seed) },
                "description": { "en": "A simulated eye in which a nucleus is to be chopped." },
            },
        },
        "result": result,
        "context": { "platform": format!("corecleft {}", judged.engine), "extensions": context(judged) },
    });
    let done_at = moment::in_words(judged.done_at_ms);
    if done_at.ends_with('Z') {
        statement["timestamp"] = done_at.into();
    }
    statement
}

/// The IRI of an extension.
fn of(name: &str) -> String {
    format!("{BASE}/xapi/{name}")
}

fn context(judged: &Judged) -> Map<String, Value> {
    let purpose = if judged.is_assessed { "assessment" } else { "practice" };
    let said = [
        ("notice", json!(NOTICE)),
        ("invented", json!(judged.is_invented())),
        ("entry", json!(judged.attempt)),
        ("entry-hash", json!(judged.hash)),
        ("station", json!(judged.station)),
        ("purpose", json!(purpose)),
        ("exam", json!(judged.is_exam)),
        ("first-unseen", json!(judged.is_first)),
        ("moved-by", json!(judged.moved_by)),
        ("device", json!(judged.device)),
        ("kind-of-eye", json!(judged.kind_of_eye)),
        ("case-hash", json!(judged.case_hash)),
        ("critical", json!(judged.critical)),
        ("prediction-error", json!(judged.prediction_error)),
    ];
    said.into_iter().map(|(name, value)| (of(name), value)).collect()
}

fn components(judged: &Judged) -> Map<String, Value> {
    let one = |component: &super::judged::Component| json!({ "value": component.value, "unit": unit_of(&component.id), "score": component.score });
    judged.components.iter().map(|component| (component.id.clone(), one(component))).collect()
}

/// ISO 8601, to 0.01 s.
fn duration(seconds: f64) -> String {
    format!("PT{:.2}S", seconds.max(0.0))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::super::judged::Component;
    use super::*;

    fn judged() -> Judged {
        let text = str::to_owned;
        Judged {
            attempt: 7,
            hash: "ab".repeat(32),
            judged_in: 7,
            trainee: text("pretend22k"),
            station: text("invented north"),
            done_at_ms: 1_795_986_415_999,
            added_at_ms: 1_795_986_500_000,
            eye: "cd".repeat(16),
            scenario: text("medium-uniform"),
            case_hash: "ef".repeat(32),
            seed: text("18446744073709551615"),
            kind_of_eye: None,
            moved_by: text("hand"),
            device: text("mouse"),
            engine: text("0.1.0+9"),
            is_assessed: true,
            is_exam: true,
            is_first: true,
            pass: false,
            score: Some(61.25),
            duration_s: Some(254.25),
            prediction_error: None,
            critical: Vec::new(),
            comments: 0,
            sign_offs: 0,
            components: vec![Component { id: text("rescue"), value: None, score: None }],
        }
    }

    /// No null outside of extensions.
    fn nulls(value: &Value) -> usize {
        match value {
            Value::Null => 1,
            Value::Array(all) => all.iter().map(nulls).sum(),
            Value::Object(all) => {
                all.iter().filter(|(key, _)| *key != "extensions").map(|(_, value)| nulls(value)).sum()
            }
            _ => 0,
        }
    }

    #[test]
    fn an_attempt_is_passed_or_failed_and_completed() {
        let [failed, completed] = statements(&judged());
        assert_eq!(failed["verb"]["id"], "http://adlnet.gov/expapi/verbs/failed");
        assert_eq!(failed["result"]["success"], false);
        assert_eq!(failed["result"]["score"], json!({"scaled": 0.6125, "raw": 61.25, "min": 0, "max": 100}));
        assert_eq!(failed["result"]["duration"], "PT254.25S");
        assert_eq!(failed["timestamp"], "2026-11-29T21:06:55Z");
        assert_eq!(completed["result"], json!({"completion": true, "duration": "PT254.25S"}));
        let [passed, _] = statements(&Judged { pass: true, ..judged() });
        assert_eq!(passed["verb"]["id"], "http://adlnet.gov/expapi/verbs/passed");
    }

    #[test]
    fn what_is_not_known_is_left_out() {
        let [failed, completed] =
            statements(&Judged { score: None, duration_s: None, done_at_ms: i64::MAX, ..judged() });
        assert_eq!((nulls(&failed), nulls(&completed)), (0, 0));
        assert!(failed.get("timestamp").is_none() && failed["result"].get("score").is_none());
        assert_eq!(completed["result"], json!({"completion": true}));
    }

    /// Whoever receives a statement twice must know it again: these ids may never change.
    #[test]
    fn ids_follow_from_the_entry_s_hash_and_the_verb() {
        let id = |judged: &Judged, at: usize| statements(judged)[at]["id"].as_str().unwrap().to_owned();
        let other = Judged { hash: "ac".repeat(32), ..judged() };
        assert_eq!(id(&judged(), 0), id(&Judged { attempt: 9, ..judged() }, 0));
        assert_ne!(id(&judged(), 0), id(&other, 0));
        assert_ne!(id(&judged(), 0), id(&judged(), 1));
        assert_eq!(id(&judged(), 0), "7cb01941-85c7-567d-ba4b-53ac285762db");
    }
}
