//! The house's invariants, read from the sources as text: which room may name which, and what no room may hold.
//!
//! Comments, texts and test modules are blanked before code is searched, so that words about a thing are not taken for
//! the thing. `DEVELOPERS.md` says what each invariant is for.
#![allow(clippy::unwrap_used, reason = "a helper that fails fails the test that called it")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Each room and the rooms it may name: imports point one way, `main → app, cli → logbook, debrief, trainee, plan,
/// attempt → case → sim → units`.
const ROOMS: [(&str, &[&str]); 14] = [
    ("units", &[]),
    ("statistics", &[]),
    ("sim", &["units"]),
    ("case", &["sim", "units"]),
    ("attempt", &["case", "sim", "units"]),
    ("plan", &["attempt", "case", "sim", "units"]),
    ("trainee", &["plan", "attempt", "case", "sim", "units"]),
    ("debrief", &["statistics", "trainee", "plan", "attempt", "case", "sim", "units"]),
    ("daily", &["statistics", "debrief", "plan", "attempt", "case", "sim", "units"]),
    ("calibrate", &["statistics", "debrief", "trainee", "plan", "attempt", "case", "sim", "units"]),
    ("logbook", &["calibrate", "daily", "statistics", "debrief", "trainee", "plan", "attempt", "case", "sim", "units"]),
    (
        "cli",
        &[
            "logbook",
            "calibrate",
            "daily",
            "statistics",
            "debrief",
            "trainee",
            "plan",
            "attempt",
            "case",
            "sim",
            "units",
        ],
    ),
    (
        "app",
        &[
            "logbook",
            "calibrate",
            "daily",
            "statistics",
            "debrief",
            "trainee",
            "plan",
            "attempt",
            "case",
            "sim",
            "units",
        ],
    ),
    ("main", &["app", "cli"]),
];

/// What the engine must not name: whatever differs between two runs, machines or builds, and whatever looks or writes.
/// Of the standard library beyond `core` it may have the ordered collections.
const NOT_IN_SIM: [&str; 19] = [
    "ron",
    "File",
    "OpenOptions",
    "Instant",
    "SystemTime",
    "Mutex",
    "RwLock",
    "HashMap",
    "HashSet",
    "RandomState",
    "DefaultHasher",
    "rayon",
    "rand",
    "rand_distr",
    "print",
    "println",
    "eprint",
    "eprintln",
    "dbg",
];
const OF_STD_IN_SIM: &str = "::collections::";

/// Crates by how their names begin, and the only places that may name them.
const ONLY_IN: [(&str, &str); 19] = [
    ("rapier", "sim/fragments.rs"),
    ("parry", "sim/fragments.rs"),
    ("maud", "debrief/ logbook/report/"),
    ("resvg", "debrief/maps/raster.rs"),
    ("flate2", "attempt/"),
    ("rusqlite", "logbook/"),
    ("sqlite", "logbook/"),
    ("sqlx", "logbook/"),
    ("diesel", "logbook/"),
    ("postgres", "logbook/"),
    ("tokio_postgres", "logbook/"),
    ("rustls", "logbook/"),
    ("arrow", "logbook/"),
    ("parquet", "logbook/"),
    ("bevy", "app/"),
    ("egui", "app/"),
    ("eframe", "app/"),
    ("wgpu", "app/"),
    ("winit", "app/"),
];

/// Functions of the standard library whose last bit depends on platform and build. `libm` has them all; `sqrt`, `abs`,
/// `floor` and the like are exact and stay.
const INEXACT: [&str; 25] = [
    "sin", "cos", "tan", "asin", "acos", "atan", "atan2", "sinh", "cosh", "tanh", "asinh", "acosh", "atanh", "sin_cos",
    "exp", "exp2", "exp_m1", "ln", "ln_1p", "log", "log2", "log10", "powf", "powi", "hypot",
];

/// Functions and types of the matrix library that call those.
const INEXACT_ROTATIONS: [&str; 12] = [
    "from_axis_angle",
    "from_scaled_axis",
    "from_euler_angles",
    "euler_angles",
    "axis_angle",
    "rotation_between",
    "slerp",
    "angle",
    "Rotation2",
    "Rotation3",
    "UnitQuaternion",
    "UnitComplex",
];

/// Rooms whose numbers reach the state hash: the engine and whatever makes models and inputs.
const HASHED: [&str; 6] = ["units", "sim", "case", "attempt", "plan", "trainee"];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// All files below a folder, in order; none where there is no such folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let Ok(entries) = std::fs::read_dir(folder) else { return found };
    for entry in entries {
        let path = entry.unwrap().path();
        if path.is_dir() { found.extend(files(&path)) } else { found.push(path) }
    }
    found.sort();
    found
}

/// A source file: its name from `src/` on, its text, its code, and its code outside of tests.
struct Source {
    name: String,
    text: String,
    code: String,
    shipped: String,
}

impl Source {
    fn new(name: &str, text: String) -> Self {
        let code = code_of(&text);
        let shipped = without_tests(&code);
        Self { name: name.to_owned(), text, code, shipped }
    }

    /// The room a file belongs to: its folder, or its own name.
    fn room(&self) -> &str {
        self.name.split(['/', '.']).next().unwrap()
    }
}

fn sources() -> Vec<Source> {
    let folder = root().join("src");
    let named = |path: &PathBuf| path.strip_prefix(&folder).unwrap().to_string_lossy().replace('\\', "/");
    let rust = files(&folder).into_iter().filter(|path| path.extension().is_some_and(|e| e == "rs"));
    let all: Vec<_> = rust.map(|path| Source::new(&named(&path), std::fs::read_to_string(&path).unwrap())).collect();
    assert!(all.len() > 20, "only {} source files were found", all.len());
    all
}

/// The code of a text: comments, and what stands between quotation marks, become spaces. Lines stay where they are.
fn code_of(text: &str) -> String {
    let chars: Vec<char> = text.chars().collect();
    let mut code: Vec<char> = chars.clone();
    let starts = |at: usize, what: &str| what.chars().enumerate().all(|(i, c)| chars.get(at + i) == Some(&c));
    let is_word = |at: usize| chars.get(at).is_some_and(|c| c.is_alphanumeric() || *c == '_');
    let mut blank = |range: std::ops::Range<usize>| {
        let end = range.end.min(code.len());
        code[range.start..end].iter_mut().filter(|c| **c != '\n').for_each(|c| *c = ' ');
    };
    let find = |from: usize, what: &str| (from..chars.len()).find(|at| starts(*at, what)).unwrap_or(chars.len());
    let mut at = 0;
    while at < chars.len() {
        let begins_word = at == 0 || !is_word(at - 1);
        let hashes = |from: usize| (from..chars.len()).take_while(|i| chars[*i] == '#').count();
        let raw = if begins_word && starts(at, "br") { at + 2 } else { at + 1 };
        let is_raw = begins_word && (starts(at, "r") || starts(at, "br")) && chars.get(raw + hashes(raw)) == Some(&'"');
        let end = if starts(at, "//") {
            find(at, "\n")
        } else if starts(at, "/*") {
            let (mut depth, mut end) = (1, at + 2);
            while depth > 0 && end < chars.len() {
                let (opens, closes) = (starts(end, "/*"), starts(end, "*/"));
                depth = depth + usize::from(opens) - usize::from(closes);
                end += if opens || closes { 2 } else { 1 };
            }
            end
        } else if is_raw {
            let close = format!("\"{}", "#".repeat(hashes(raw)));
            find(raw + hashes(raw) + 1, &close) + close.len()
        } else if chars[at] == '"' {
            let mut end = at + 1;
            while end < chars.len() && chars[end] != '"' {
                end += if chars[end] == '\\' { 2 } else { 1 };
            }
            end + 1
        } else if starts(at, "'\\") {
            find(at + 3, "'") + 1
        } else if chars[at] == '\'' && chars.get(at + 2) == Some(&'\'') {
            at + 3
        } else {
            at += 1;
            continue;
        };
        blank(at..end);
        at = end;
    }
    code.into_iter().collect()
}

/// Code without the items that only tests see.
fn without_tests(code: &str) -> String {
    const MARK: &str = "#[cfg(test)]";
    let mut left = code.to_owned();
    while let Some(start) = left.find(MARK) {
        let mut depth = 0;
        let body = left[start + MARK.len()..].char_indices();
        let mut end = left.len();
        for (at, c) in body {
            depth += i32::from(c == '{') - i32::from(c == '}');
            if depth == 0 && (c == '}' || c == ';') {
                end = start + MARK.len() + at + 1;
                break;
            }
        }
        let lines = left[start..end].matches('\n').count();
        left.replace_range(start..end, &"\n".repeat(lines));
    }
    left
}

/// Identifiers with the character before each, the two after it, and the line.
fn words(code: &str) -> Vec<(Option<char>, &str, &str, usize)> {
    let mut found = Vec::new();
    let mut line = 1;
    let mut rest = 0;
    let is_word = |c: char| c.is_alphanumeric() || c == '_';
    while let Some(start) = code[rest..].find(is_word).map(|at| rest + at) {
        line += code[rest..start].matches('\n').count();
        let end = code[start..].find(|c: char| !is_word(c)).map_or(code.len(), |at| start + at);
        let before = code[..start].trim_end().chars().next_back();
        rest = end;
        if code[start..].starts_with(|c: char| c.is_ascii_digit()) {
            continue;
        }
        found.push((before, &code[start..end], code[end..].trim_start(), line));
    }
    found
}

/// The rooms that code names: whatever follows `crate::` or the crate's own name, braces included.
fn rooms_named(code: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for (_, word, after, _) in words(code) {
        if word != "crate" && word != "corecleft" {
            continue;
        }
        let Some(after) = after.strip_prefix("::") else { continue };
        let after = after.trim_start();
        let first =
            |s: &str| s.trim_start().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
        let Some(list) = after.strip_prefix('{') else {
            found.insert(if after.starts_with('*') { "*".to_owned() } else { first(after) });
            continue;
        };
        let (mut depth, mut item) = (0, String::new());
        for c in list.chars() {
            match c {
                '{' => depth += 1,
                '}' if depth == 0 => break,
                '}' => depth -= 1,
                ',' if depth == 0 => {
                    found.insert(first(&std::mem::take(&mut item)));
                    continue;
                }
                _ => {}
            }
            item.push(c);
        }
        found.insert(first(&item));
    }
    found.remove("");
    found
}

/// Every finding is told at once, or none was made.
fn assert_none(findings: Vec<String>) {
    assert!(findings.is_empty(), "\n{}", findings.join("\n"));
}

#[test]
fn the_reader_of_sources_tells_code_from_words_about_it() {
    let text = r##"//! use crate::app;
use crate::{sim::{cut::Plane, Model}, case, units::radians}; // crate::cli
/* crate::logbook /* nested */ crate::logbook */
fn f<'a>(x: &'a str) -> char { let s = "crate::debrief \" {"; let r = r#"crate::"plan"#; '"' }
fn g() { let brace = '{'; x.sin(); libm::cos(1.0); y
    .exp(); }
#[cfg(test)]
mod tests { fn t() { crate::trainee::x().unwrap() } }
fn h() { corecleft::attempt::y(); }
"##;
    let source = Source::new("sim/x.rs", text.to_owned());
    assert_eq!(source.text.lines().count(), source.shipped.lines().count());
    let named: Vec<_> = rooms_named(&source.code).into_iter().collect();
    assert_eq!(named, ["attempt", "case", "sim", "trainee", "units"]);
    assert!(!rooms_named(&source.shipped).contains("trainee"));
    assert!(!source.shipped.contains("unwrap") && source.shipped.contains("fn h"));
    assert_eq!(source.room(), "sim");
    let methods: Vec<_> = words(&source.code).into_iter().filter(|w| w.0 == Some('.')).map(|w| (w.1, w.3)).collect();
    assert_eq!(methods, [("sin", 5), ("exp", 6), ("unwrap", 8)]);
    assert_eq!(inexact(&source.shipped).len(), 2);
    assert_eq!(inexact("let r = Rotation3::from_axis_angle(&z, a); f64::sin(a); a.sqrt(); libm::sin(a)").len(), 3);
}

#[test]
fn imports_point_one_way() {
    let mut findings = Vec::new();
    for source in sources() {
        if source.name == "lib.rs" {
            continue; // it only says which rooms there are
        }
        let room = source.room();
        let Some((_, allowed)) = ROOMS.iter().find(|(name, _)| *name == room) else {
            findings.push(format!("src/{}: `{room}` is a room of no known place in the house", source.name));
            continue;
        };
        for named in rooms_named(&source.shipped) {
            if named != room && !allowed.contains(&named.as_str()) {
                findings.push(format!("src/{}: `{room}` names `{named}`; it may name {allowed:?}", source.name));
            }
        }
        // A path that climbs out of its room would not be seen above.
        let climbs =
            if source.name.contains('/') && !source.name.ends_with("mod.rs") { "super::super" } else { "super::" };
        if source.shipped.contains(climbs) {
            findings.push(format!("src/{}: `{climbs}` leaves the room; write `crate::…`", source.name));
        }
    }
    assert_none(findings);
}

#[test]
fn the_engine_names_nothing_that_differs_between_two_runs() {
    let mut findings = Vec::new();
    for source in sources().iter().filter(|s| s.room() == "sim") {
        for (_, word, after, line) in words(&source.shipped) {
            if NOT_IN_SIM.contains(&word) || word == "std" && !after.starts_with(OF_STD_IN_SIM) {
                findings.push(format!("src/{}:{line}: the engine names `{word}`", source.name));
            }
        }
    }
    assert_none(findings);
}

#[test]
fn each_heavy_crate_has_one_place() {
    let mut findings = Vec::new();
    for source in sources() {
        for (_, word, _, line) in words(&source.code) {
            for (begins, only) in ONLY_IN {
                // `egui_plot` and `rapier3d` are meant too, `arrowhead` is not.
                let rest = word.strip_prefix(begins);
                let is_meant = rest.is_some_and(|r| r.chars().next().is_none_or(|c| c == '_' || c.is_ascii_digit()));
                if is_meant && !only.split(' ').any(|only| source.name.starts_with(only)) {
                    findings.push(format!("src/{}:{line}: `{word}` is named outside of src/{only}", source.name));
                }
            }
        }
    }
    assert_none(findings);
}

/// Calls of functions whose last bit is not the same everywhere, with their lines.
fn inexact(code: &str) -> Vec<String> {
    let mut found = Vec::new();
    let words = words(code);
    for (i, (before, word, after, line)) in words.iter().enumerate() {
        let is_call = after.starts_with('(');
        let is_method = *before == Some('.') && is_call;
        let is_path = *before == Some(':') && i > 0 && matches!(words[i - 1].1, "f64" | "f32");
        if (is_method || is_path) && INEXACT.contains(word) {
            found.push(format!("{line}: `{word}` of the standard library; `libm::{word}` is the same everywhere"));
        }
        if INEXACT_ROTATIONS.contains(word) && (is_call || after.starts_with("::")) {
            found.push(format!(
                "{line}: `{word}` takes its sines from the standard library; write them out with `libm`"
            ));
        }
    }
    found
}

#[test]
fn transcendental_functions_come_from_libm() {
    let mut findings = Vec::new();
    for source in sources().iter().filter(|s| HASHED.contains(&s.room())) {
        findings.extend(inexact(&source.shipped).iter().map(|found| format!("src/{}:{found}", source.name)));
    }
    assert_none(findings);
}

#[test]
fn nothing_unwraps_outside_of_tests() {
    const METHODS: [&str; 4] = ["unwrap", "expect", "unwrap_err", "expect_err"];
    const MACROS: [&str; 4] = ["panic", "todo", "unimplemented", "unreachable"];
    let mut findings = Vec::new();
    for source in sources() {
        for (before, word, after, line) in words(&source.shipped) {
            let unwraps = METHODS.contains(&word) && matches!(before, Some('.' | ':')) && !after.starts_with("::");
            if unwraps || MACROS.contains(&word) && after.starts_with('!') {
                findings.push(format!("src/{}:{line}: `{word}` outside of tests", source.name));
            }
        }
    }
    assert_none(findings);
}

#[test]
fn every_file_opens_with_its_purpose() {
    let folders = ["src", "tests", "benches", "examples"];
    let all = folders.iter().flat_map(|folder| files(&root().join(folder)));
    let closed = all.filter(|path| path.extension().is_some_and(|e| e == "rs")).filter(|path| {
        let text = std::fs::read_to_string(path).unwrap();
        let first = text.lines().next().unwrap_or("");
        first.strip_prefix("//! ").is_none_or(|purpose| purpose.trim().len() < 10)
    });
    assert_none(closed.map(|path| format!("{} does not open with `//! purpose`", path.display())).collect());
}

/// How the page says what its notation is.
const NOTATION: &str = "file.rs::test";

/// Tests that a text names in backticks, as `file.rs::test` or `file.rs::module::test`.
fn tests_named(text: &str) -> Vec<(String, String)> {
    let quoted = text.split('`').skip(1).step_by(2).filter(|quoted| *quoted != NOTATION);
    let named = quoted.filter_map(|quoted| quoted.split_once(".rs::"));
    let last = |path: &str| path.rsplit("::").next().unwrap().trim_end_matches("()").to_owned();
    named.map(|(file, test)| (format!("{file}.rs"), last(test))).collect()
}

#[test]
fn the_verification_page_names_tests_that_exist() {
    let page = std::fs::read_to_string(root().join("docs/verification.md")).expect("docs/verification.md is missing");
    let named = tests_named(&page);
    assert!(named.len() >= 10, "only {} tests are named as `file.rs::test`", named.len());
    let all: Vec<(String, String)> = ["src", "tests"]
        .iter()
        .flat_map(|folder| files(&root().join(folder)))
        .filter(|path| path.extension().is_some_and(|e| e == "rs"))
        .map(|path| {
            let code = code_of(&std::fs::read_to_string(&path).unwrap());
            (path.strip_prefix(root()).unwrap().to_string_lossy().replace('\\', "/"), code)
        })
        .collect();
    let mut findings = Vec::new();
    for (file, test) in named {
        let is_meant = |name: &str| name == file || name.ends_with(&format!("/{file}"));
        let candidates: Vec<_> = all.iter().filter(|(name, _)| is_meant(name)).collect();
        if candidates.is_empty() {
            findings.push(format!("`{file}::{test}`: there is no such file"));
        } else if !candidates.iter().any(|(_, code)| has_test(code, &test)) {
            findings.push(format!("`{file}::{test}`: there is no such test"));
        }
    }
    assert_none(findings);
}

/// Does code hold a function of this name with `#[test]` before it?
fn has_test(code: &str, name: &str) -> bool {
    let is_function = |(at, _): (usize, &str)| {
        let before = &code[..at];
        let attributes = before.rsplit(['}', ';']).next().unwrap_or("");
        let is_whole = !code[at + 3 + name.len()..].starts_with(|c: char| c.is_alphanumeric() || c == '_');
        is_whole && attributes.contains("#[test]")
    };
    code.match_indices(&format!("fn {name}")).any(is_function)
}

#[test]
fn the_reader_of_the_verification_page_sees_what_it_must() {
    let page = "`file.rs::test`, `replay.rs::a_test`, `sim/lens.rs::tests::other`, `no_test`, `values.md`, `x.rs::c()`";
    let named = tests_named(page);
    let pair = |file: &str, test: &str| (file.to_owned(), test.to_owned());
    assert_eq!(named, [pair("replay.rs", "a_test"), pair("sim/lens.rs", "other"), pair("x.rs", "c")]);
    let code = "fn helper() {}\n#[test]\n#[ignore]\nfn right() {}\nfn wrong() {}\n#[test]\nfn longer_name() {}";
    assert!(has_test(code, "right") && has_test(code, "longer_name"));
    assert!(!has_test(code, "wrong") && !has_test(code, "helper") && !has_test(code, "longer"));
}

/// Paths of one machine, and words about how the work was done rather than what it is: neither belongs into what others
/// read. Each is put together here, so that this file does not hold it.
const PATHS: [&str; 4] = [concat!("/wo", "rk/"), concat!("/ro", "ot/"), concat!("/tm", "p/"), concat!("/ho", "me/")];
const WORDS: [&str; 3] = [concat!("sess", "ion"), concat!("trans", "cript"), concat!("sub", "agent")];

#[test]
fn files_name_no_machine_and_not_their_own_making() {
    let folders = ["src", "docs", "tests", "benches", "examples", "scenarios", "assets", ".ci"];
    let mut all: Vec<_> = folders.iter().flat_map(|folder| files(&root().join(folder))).collect();
    all.extend(["README.md", "DEVELOPERS.md", "Cargo.toml", ".gitignore"].map(|name| root().join(name)));
    let mut findings = Vec::new();
    for path in all {
        let Ok(text) = std::fs::read_to_string(&path) else { continue }; // a picture or a font
        for (number, line) in text.lines().enumerate() {
            let lower = line.to_lowercase();
            let words = lower.split(|c: char| !c.is_alphabetic());
            let word = words.into_iter().find_map(|word| WORDS.iter().find(|needle| word.starts_with(**needle)));
            let found = PATHS.iter().find(|needle| lower.contains(**needle)).or(word);
            if let Some(found) = found {
                findings.push(format!("{}:{}: holds `{found}`", path.display(), number + 1));
            }
        }
    }
    assert_none(findings);
}
