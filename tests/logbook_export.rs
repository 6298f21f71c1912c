//! Exports of the record, as other programs read them: a validator of xAPI statements and a database that reads CSV and Parquet, both
//! from a package registry (`tests/readers`). `EXPORT_PYTHON` names a Python that has them; `.ci/run` makes one. Where it is not set and
//! none is found, a line says what was left out.
#![cfg(feature = "logbook")]
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a helper that fails fails the test that called it")]

mod common;

use common::logbook::{Store, add, attempted, author, corecleft, line_of_error, person, small, submission, text};
use corecleft::attempt::{Attempt, Device};
use corecleft::case::parse_case;
use corecleft::debrief::text::NOTICE;
use corecleft::logbook::demo::{DemoError, Design};
use corecleft::logbook::entry::Purpose;
use corecleft::logbook::export::table::{COLUMNS, Holds};
use corecleft::logbook::export::{ExportError, Exported, Format};
use corecleft::logbook::invented::{STATIONS, is_invented};
use corecleft::logbook::listing::{Listed, Wanted};
use corecleft::logbook::proof::Sample;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;
use std::sync::LazyLock;

/// What other programs take for a formula, or stumble over.
const AWKWARD: &str = "=1+1, \"quoted\"\nand a second line; ü";

/// Attempts by shipped plans.
static PLAYED: LazyLock<(Attempt, Attempt)> =
    LazyLock::new(|| (attempted("medium-uniform", "good", 1), attempted("soft-nucleus", "poor", 1)));

/// A store of several kinds of attempts: of shipped plans, awkward ones, one judged again, one deleted.
fn store() -> Store {
    let store = Store::new();
    let mut book = store.made();
    let (author, trainee, by) = (author(), person(1), person(9));
    let (good, poor) = &*PLAYED;
    let sent = [submission(good), submission(poor)];
    let seqs = add(&mut book, &author, &trainee, &sent);
    let mut awkward = small(3, true);
    awkward.header.device = Device::Person(AWKWARD.to_owned());
    awkward.header.seed = u64::MAX;
    add(&mut book, &author, &person(2), &[submission(&awkward), submission(&small(4, false))]);
    let mut bare = small(5, false);
    bare.scores.components.clear();
    book.submit(&author, &person(2), Purpose::Practice, &[submission(&bare)]).unwrap();
    book.comment(&author, &by, seqs[0], "Words that are nobody else's business").unwrap();
    book.sign_off(&author, &by, seqs[0]).unwrap();
    let stricter = good.header.case_text.replace("capsule_floor_mm: 0.6", "capsule_floor_mm: 1.9");
    book.rescore(&author, &by, seqs[0], &parse_case("", &stricter).unwrap()).unwrap();
    add(&mut book, &author, &person(3), &[submission(&small(6, false))]);
    book.erase(&author, &by, &person(3)).unwrap();
    store
}

fn export(store: &Store, format: Format, out: &Path) -> Exported {
    store.open().export(format, out, |_, _| ()).unwrap()
}

/// A Python that has the readers. What is named must have them; else the ordinary one is tried.
fn python(left_out: &str) -> Option<String> {
    if let Ok(named) = std::env::var("EXPORT_PYTHON") {
        return Some(named);
    }
    let has = Command::new("python3").args(["-c", "import duckdb, ralph.models.xapi"]).output();
    if has.is_ok_and(|output| output.status.success()) {
        return Some("python3".to_owned());
    }
    eprintln!("left out: {left_out}; it needs a Python with tests/readers/requirements.txt, named by EXPORT_PYTHON");
    None
}

fn read_by(python: &str, what: &str, file: &Path) -> Value {
    let output =
        Command::new(python).arg(common::path("tests/readers/export.py")).arg(what).arg(file).output().unwrap();
    assert!(output.status.success(), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Number, number of values, sums of values and scores by component, as the database itself adds them up.
fn sums(store: &Store) -> BTreeMap<String, (i64, i64, f64, f64)> {
    let database = rusqlite::Connection::open(store.path()).unwrap();
    let mut found = database
        .prepare(
            "SELECT id, count(*), count(value), coalesce(sum(value), 0.0), coalesce(sum(component.score), 0.0) \
             FROM component JOIN attempt ON attempt.seq = component.seq GROUP BY id",
        )
        .unwrap();
    let rows = found.query_map([], |row| Ok((row.get(0)?, (row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))));
    rows.unwrap().map(Result::unwrap).collect()
}

#[test]
fn tables_are_read_back_with_the_sums_of_the_store() {
    let Some(python) = python("whether CSV and Parquet are read back by another program with the store's sums") else {
        return;
    };
    let store = store();
    let folder = tempfile::tempdir().unwrap();
    let wanted = sums(&store);
    assert_eq!(wanted["tip-angle"], (2, 2, 7.0, 1.0), "what the store was filled with");
    let mut read = Vec::new();
    for (format, name) in [(Format::Csv, "out.csv"), (Format::Parquet, "out.parquet")] {
        let out = folder.path().join(name);
        let exported = export(&store, format, &out);
        // Two of twelve components, two of two, a bare one, and one of twelve again.
        assert_eq!((exported.attempts, exported.rows, exported.invented), (5, 12 + 12 + 2 + 2 + 1 + 12, 0));
        let table = read_by(&python, "table", &out);
        let found = table["components"].as_object().unwrap();
        for (id, (rows, values, value, score)) in &wanted {
            let [found_rows, found_values, found_value, found_score] = &found[id].as_array().unwrap()[..] else {
                panic!("{found:?}")
            };
            assert_eq!((found_rows, found_values), (&json!(rows), &json!(values)), "{name}: {id}");
            // Numbers come back to the last bit; their sums differ by the order of adding alone.
            for (wanted, found) in [(value, found_value), (score, found_score)] {
                let found = found.as_f64().unwrap();
                assert!((wanted - found).abs() <= 1e-12 * wanted.abs().max(1.0), "{name}: {id}: {wanted} {found}");
            }
        }
        // And the bare one, which has none.
        assert_eq!(found.len(), wanted.len() + 1, "{found:?}");
        for (column, found) in COLUMNS.iter().zip(table["columns"].as_array().unwrap()) {
            let kind = match column.holds {
                Holds::Whole => "BIGINT",
                Holds::Real => "DOUBLE",
                Holds::Yes => "BOOLEAN",
                Holds::Moment => "TIMESTAMP WITH TIME ZONE",
                Holds::Text => "VARCHAR",
            };
            assert_eq!(found[0], column.name);
            // A column of nothing, or of digits alone, has no type of its own in CSV.
            if format == Format::Parquet || !["prediction_error", "seed"].contains(&column.name) {
                assert_eq!(found[1], kind, "{name}: {}", column.name);
            }
        }
        read.push(table);
    }
    let [csv, parquet] = &read[..] else { panic!() };
    assert_eq!(parquet["said"]["corecleft.notice"], NOTICE);
    assert!(parquet["said"]["corecleft.dictionary"].as_str().unwrap().contains("component_score"));
    let head = store.open().head().unwrap();
    assert!(parquet["said"]["corecleft.head"].as_str().unwrap().starts_with(&format!("{} ", head.seq)));
    let rows = |table: &Value| table["rows"].as_array().unwrap().clone();
    for (csv, parquet) in rows(csv).iter().zip(rows(parquet)) {
        for (name, value) in parquet.as_object().unwrap() {
            match (name.as_str(), value.as_str()) {
                ("device", Some(AWKWARD)) => assert_eq!(csv[name], format!("'{AWKWARD}")),
                // To the second, and to the millisecond.
                ("done_at" | "added_at", Some(moment)) => {
                    assert_eq!(csv[name].as_str().unwrap().get(..19), moment.get(..19));
                }
                _ => assert_eq!(csv[name], *value, "{name}"),
            }
        }
    }
    let first = &rows(parquet)[0];
    assert_eq!(
        (&first["comments"], &first["sign_offs"], &first["scenario"]),
        (&json!("1"), &json!("1"), &json!("medium-uniform"))
    );
    let again: Vec<Value> = rows(parquet).into_iter().filter(|row| row["goals"] == "other").collect();
    assert!(again.len() == 12 && again.iter().all(|row| row["attempt"] == first["attempt"]), "{again:?}");
    assert_eq!((&first["passed"], &again[0]["passed"]), (&json!("True"), &json!("False")), "stricter goals");
    let awkward = rows(parquet).into_iter().find(|row| row["device"] == AWKWARD).unwrap();
    assert_eq!(awkward["seed"], u64::MAX.to_string());
    assert_eq!(awkward["critical"], "tear of the rhexis ran out");
}

#[test]
fn statements_are_taken_by_a_validator_and_broken_ones_are_not() {
    let Some(python) = python("whether statements are xAPI by a validator of others") else { return };
    let store = store();
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out.jsonl");
    assert_eq!(export(&store, Format::Xapi, &out).rows, 10);
    let told = read_by(&python, "statements", &out);
    assert_eq!((&told["taken"], &told["ids"], &told["refused"]), (&json!(10), &json!(10), &json!([])));
    let verb = |name: &str| format!("http://adlnet.gov/expapi/verbs/{name}");
    let verbs = json!({ verb("passed"): 3, verb("failed"): 2, verb("completed"): 5 });
    assert_eq!(told["verbs"], verbs);

    // The same ones, each broken in one way.
    let lines = std::fs::read_to_string(&out).unwrap();
    let whole: Value = serde_json::from_str(lines.lines().next().unwrap()).unwrap();
    type Spoil = fn(&mut Value);
    let breaks: [(&str, Spoil); 12] = [
        ("two identifiers", |s| s["actor"]["mbox"] = json!("mailto:a@example.org")),
        ("no identifier", |s| _ = s["actor"].as_object_mut().unwrap().remove("account")),
        ("a home page that is no IRI", |s| s["actor"]["account"]["homePage"] = json!("here")),
        ("null outside of an extension", |s| s["result"]["response"] = Value::Null),
        ("scaled beyond 1", |s| s["result"]["score"]["scaled"] = json!(1.01)),
        ("raw beyond the largest", |s| s["result"]["score"]["raw"] = json!(100.5)),
        ("raw below the least", |s| {
            s["result"]["score"]["min"] = json!(100.5);
            s["result"]["score"]["max"] = json!(101);
        }),
        ("a duration in words", |s| s["result"]["duration"] = json!("254 s")),
        ("an extension whose key is no IRI", |s| s["context"]["extensions"]["notice"] = json!("?")),
        ("an id that is no UUID", |s| s["id"] = json!("7")),
        ("a verb that is no IRI", |s| s["verb"]["id"] = json!("passed")),
        ("a property of our own", |s| s["invented"] = json!(true)),
    ];
    let broken = folder.path().join("broken.jsonl");
    let lines: String = breaks
        .iter()
        .map(|(_, spoil)| {
            let mut statement = whole.clone();
            spoil(&mut statement);
            statement.to_string() + "\n"
        })
        .collect();
    std::fs::write(&broken, lines).unwrap();
    let told = read_by(&python, "statements", &broken);
    let refused: Vec<u64> = told["refused"].as_array().unwrap().iter().map(|line| line[0].as_u64().unwrap()).collect();
    for ((what, _), line) in breaks.iter().zip(1..) {
        assert!(refused.contains(&line), "{what} was taken: {told}");
    }
}

/// What that validator does not look at.
#[test]
fn statements_say_when_how_long_and_that_this_is_for_education() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out.jsonl");
    export(&store(), Format::Xapi, &out);
    for line in std::fs::read_to_string(&out).unwrap().lines() {
        let statement: Value = serde_json::from_str(line).unwrap();
        assert_eq!(statement["timestamp"], "2023-11-14T22:13:20Z");
        let seconds = statement["result"]["duration"].as_str().unwrap();
        let seconds = seconds.strip_prefix("PT").and_then(|rest| rest.strip_suffix('S')).unwrap();
        assert_eq!(seconds.split_once('.').map(|(_, hundredths)| hundredths.len()), Some(2));
        assert_eq!(statement["context"]["extensions"]["https://corecleft.example/xapi/notice"], NOTICE);
        if let Some(score) = statement["result"].get("score") {
            assert!(score["min"].as_f64() < score["max"].as_f64());
        }
        assert!(!line.contains("nobody else's business"));
    }
}

#[test]
fn the_dictionary_tells_of_every_column_and_of_education() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out.csv");
    let exported = export(&store(), Format::Csv, &out);
    assert_eq!(exported.files, [out.clone(), folder.path().join("out.csv.dictionary.csv")]);
    let records = |path: &Path| {
        let mut reader = csv::ReaderBuilder::new().has_headers(false).from_path(path).unwrap();
        reader.records().map(|record| record.unwrap().iter().map(str::to_owned).collect()).collect::<Vec<Vec<String>>>()
    };
    let (table, dictionary) = (records(&out), records(&exported.files[1]));
    assert_eq!(dictionary[0], ["column", "type", "unit", "what", "allowed"]);
    let told: Vec<&String> = dictionary[1..].iter().map(|row| &row[0]).collect();
    assert_eq!(table[0].iter().collect::<Vec<_>>(), told);
    assert!(dictionary[1..].iter().all(|row| !row[3].is_empty() && !row[4].is_empty()));
    let last = dictionary.last().unwrap();
    assert_eq!((last[0].as_str(), last[3].as_str()), ("for_education_only", NOTICE));
    assert!(table[1..].iter().all(|row| row.last().unwrap() == "true"));
}

#[test]
fn an_empty_store_is_an_empty_table() {
    let store = Store::new();
    drop(store.made());
    let folder = tempfile::tempdir().unwrap();
    for (format, name) in [(Format::Csv, "a.csv"), (Format::Parquet, "a.parquet"), (Format::Xapi, "a.jsonl")] {
        let exported = export(&store, format, &folder.path().join(name));
        assert_eq!((exported.attempts, exported.rows), (0, 0));
    }
    assert_eq!(std::fs::read_to_string(folder.path().join("a.csv")).unwrap().lines().count(), 1);
}

#[test]
fn no_file_is_overwritten_and_none_is_left_behind() {
    let store = store();
    let folder = tempfile::tempdir().unwrap();
    let names = || {
        let mut names: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        names.sort();
        names
    };
    let (mine, dictionary) = (folder.path().join("mine"), folder.path().join("b.dictionary.csv"));
    for path in [&mine, &dictionary] {
        std::fs::write(path, "mine").unwrap();
    }
    let before = names();
    for (format, out) in [(Format::Xapi, "mine"), (Format::Parquet, "mine"), (Format::Csv, "mine"), (Format::Csv, "b")]
    {
        let refused = store.open().export(format, &folder.path().join(out), |_, _| ()).unwrap_err();
        assert!(refused.to_string().ends_with("exists already; allowed: a file that is not there yet"), "{refused}");
    }
    // Somebody else is quicker, after it has begun.
    let late = folder.path().join("late");
    let refused = store.open().export(Format::Csv, &late, |_, _| std::fs::write(&late, "mine").unwrap()).unwrap_err();
    assert!(matches!(refused, ExportError::File { .. }), "{refused}");
    assert_eq!(std::fs::read_to_string(&late).unwrap(), "mine");
    std::fs::remove_file(&late).unwrap();
    assert_eq!(names(), before);
    for path in [&mine, &dictionary] {
        assert_eq!(std::fs::read_to_string(path).unwrap(), "mine");
    }
}

#[test]
fn what_is_wrong_is_told_in_a_line() {
    let store = store();
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).display().to_string();
    std::fs::write(at("mine"), "mine").unwrap();
    let error = |format: &str, out: &str, store: &str| {
        line_of_error(&corecleft(&["logbook", "export", "--format", format, "--out", out, "--store", store]))
    };
    let here = store.address();
    let unknown = error("xml", &at("a"), &here);
    assert!(unknown.contains("'xml'") && unknown.ends_with("allowed: csv, parquet, xapi"), "{unknown}");
    let exists = format!("{}: exists already; allowed: a file that is not there yet", at("mine"));
    for format in ["csv", "parquet", "xapi"] {
        assert_eq!(error(format, &at("mine"), &here), exists);
    }
    for out in ["none/a", "mine/a"] {
        let refused = error("csv", &at(out), &here);
        assert!(refused.starts_with(&format!("{}: cannot be written: ", at(out))), "{refused}");
        assert!(!refused.contains(".part"), "{refused}");
    }
    let missing = error("csv", &at("a"), &at("none"));
    assert!(missing.starts_with(&at("none")) && missing.contains("there is no logbook here yet"), "{missing}");
    assert!(!Path::new(&at("a")).exists());
    let done = corecleft(&["logbook", "export", "--format", "csv", "--out", &at("a"), "--store", &here]);
    let page = text(&done.stdout);
    assert!(page.starts_with(&format!("5 attempts, 41 rows: {}\n", at("a"))), "{page}");
    assert!(page.contains(&at("a.dictionary.csv")) && page.contains("For education only."), "{page}");
}

/// What is the same whenever and wherever it was made.
fn lasting(listed: Vec<Listed>) -> Vec<Listed> {
    let lasting = |listed: Listed| Listed { hash: String::new(), added_at: String::new(), ..listed };
    listed.into_iter().map(lasting).collect()
}

#[test]
fn an_invented_cohort_is_sound_marked_and_the_same_in_any_number_of_threads() {
    let design = Design { trainees: 2, months: 1, seed: 5 };
    let made = |threads: usize| {
        let store = Store::new();
        let told = store.made().demo(&design, threads, || ()).unwrap();
        (store, told)
    };
    let ((store, told), (other, told_of_other)) = (made(1), made(2));
    assert_eq!(told, told_of_other);
    assert_eq!(told.attempts + told.cut_short, design.planned().len() as u32);
    let listed = store.open().list(&Wanted::default()).unwrap();
    assert_eq!(lasting(listed.clone()), lasting(other.open().list(&Wanted::default()).unwrap()));

    assert!(listed.iter().all(|entry| STATIONS.contains(&entry.station.as_str())));
    assert!(listed.iter().all(|entry| entry.trainee.as_deref().is_some_and(is_invented)));
    let attempts: Vec<&Listed> = listed.iter().filter(|entry| entry.kind == "attempt").collect();
    assert!(attempts.iter().all(|entry| entry.moved_by.as_deref() == Some("simulated")));
    let assessed: Vec<_> = attempts.iter().filter(|entry| entry.purpose == Some("assessment")).collect();
    assert!(assessed.len() > attempts.len() / 2 && assessed.len() < attempts.len(), "most of them, and some practice");
    assert!(assessed.iter().any(|entry| entry.prediction_error.is_some()), "{assessed:?}");
    // They follow from their inputs, as anybody's.
    let report = store.open().verify(Sample::Some { count: 3, seed: 1 }, None, |_| ()).unwrap();
    assert_eq!((report.faults.len(), report.attempts), (0, attempts.len()));

    let folder = tempfile::tempdir().unwrap();
    let exported = export(&store, Format::Xapi, &folder.path().join("a.jsonl"));
    assert_eq!(exported.invented, exported.attempts);
    let lines = std::fs::read_to_string(folder.path().join("a.jsonl")).unwrap();
    assert!(lines.lines().all(|line| line.contains("\"https://corecleft.example/xapi/invented\":true")));
}

#[test]
fn nothing_invented_goes_into_a_store_that_holds_something() {
    let store = store();
    let before = store.open().head().unwrap();
    let design = Design { trainees: 1, months: 1, seed: 1 };
    assert!(matches!(store.open().demo(&design, 1, || ()), Err(DemoError::NotEmpty(_))));
    let refused = line_of_error(&corecleft(&["logbook", "demo", "--store", &store.address()]));
    let wanted = format!("{}: holds {} entries already; allowed: a new or empty store", store.address(), before.seq);
    assert!(refused.starts_with(&wanted), "{refused}");
    assert_eq!(store.open().head().unwrap(), before);
}
