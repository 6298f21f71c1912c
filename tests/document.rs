//! The debrief's HTML document as a reader meets it: a shipped plan is played, and a real browser opens what is written.
//!
//! Needs Chromium (Debian package `chromium`). That nothing in the document is loaded or run, that markup in a case's words
//! stays text, and that every mark is placed are checked beside the code; here it is what the browser makes of it.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on fails")]

mod common;

use corecleft::case::{Resolution, compile, read_case};
use corecleft::debrief::maps::Wanted;
use corecleft::debrief::{Course, Debrief, html, text};
use corecleft::plan::read_plan;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The document of the very long eye's poor plan.
fn document() -> String {
    let scenarios = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios");
    let case = read_case(&scenarios.join("long-eye-dense-core.ron")).unwrap();
    let (plan, _) = read_plan(&scenarios.join("long-eye-dense-core.poor.plan.ron")).unwrap();
    let model = compile(&case.spec, 1, Resolution::default()).unwrap().model;
    let course = Course::of_plan(&model, &plan).unwrap();
    let facts = course.facts(&case.spec, &model);
    let titles = text::Titles { case: &case.spec.title, made: "Plan", with: &plan.title, seed: 1, set_up: None };
    let debrief = Debrief::of(&facts);
    let maps = Wanted::of(&case.spec, &model, &course.record, &debrief).computed(&case.spec, &model, 0, || ()).unwrap();
    html::document(&titles, &facts, &debrief, &course.trace, Some(&maps))
}

/// A folder with a document, and a browser that opens it.
struct Opened {
    folder: tempfile::TempDir,
}

impl Opened {
    fn new(document: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("debrief.html"), document).unwrap();
        Self { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// What the browser prints when it is told to do something with the document.
    fn browse(&self, arguments: &[String]) -> String {
        let output = Command::new("chromium")
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--virtual-time-budget=2000"])
            .arg(format!("--user-data-dir={}", self.path("profile").display()))
            .args(arguments)
            .arg(format!("file://{}", self.path("debrief.html").display()))
            .output()
            .expect("chromium does not start; the Debian package `chromium` is needed (apt-get install chromium)");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    /// Brightness of the pixels of a picture of a window, row by row, and its width.
    fn picture(&self, width: usize, height: usize) -> (Vec<u8>, usize) {
        let file = self.path(&format!("picture-{width}.png"));
        self.browse(&[format!("--window-size={width},{height}"), format!("--screenshot={}", file.display())]);
        let mut decoder = png::Decoder::new(std::io::BufReader::new(std::fs::File::open(file).unwrap()));
        decoder.set_transformations(png::Transformations::normalize_to_color8());
        let mut reader = decoder.read_info().unwrap();
        let mut bytes = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut bytes).unwrap();
        let channels = info.color_type.samples();
        assert!(channels >= 3, "{:?}", info.color_type);
        let grey = |pixel: &[u8]| (pixel[..3].iter().map(|c| u32::from(*c)).sum::<u32>() / 3) as u8;
        (bytes[..info.buffer_size()].chunks(channels).map(grey).collect(), info.width as usize)
    }
}

#[test]
fn a_browser_shows_and_prints_the_document() {
    let opened = Opened::new(&document());

    let dom = opened.browse(&["--dump-dom".to_string()]);
    let sections = [
        "Result",
        "What to practise next",
        "What was judged",
        "Why",
        "From decision to consequence",
        "How hard this lens was",
        "Where this chop works",
        "Course of the attempt",
        "What happened",
        "Pieces drawn",
        "Chamber and incision",
    ];
    let found: Vec<&str> = sections.into_iter().filter(|title| dom.contains(&format!("<h2>{title}</h2>"))).collect();
    // The poor plan draws no piece.
    assert_eq!(found, [&sections[..9], &sections[10..]].concat());
    assert!(dom.contains("<h1>Very long eye, small dense core in a soft shell</h1>"));
    assert!(dom.contains("<html lang=\"en\">") && dom.contains("<title>Debrief: Very long eye"));
    assert_eq!(dom.matches("<svg class=\"chart\" role=\"img\"").count(), 5);
    for id in ["chamber", "vacuum", "flow", "foot", "distance"] {
        assert!(
            dom.contains(&format!("<title id=\"{id}-title\">")) && dom.contains(&format!("<desc id=\"{id}-desc\">"))
        );
    }
    assert_eq!(dom.matches("<th scope=\"row\">").count(), 12);
    assert_eq!(dom.matches("<svg class=\"map\" role=\"img\"").count(), 3);
    assert_eq!(dom.matches(">Yours: ").count(), 3, "the learner's own choice, in words beside its sign");
    assert!(dom.contains(" chops, computed in this model, by hands that do not miss"));
    assert!(dom.contains("Not passed, 56 of 100") && dom.contains("For education only. Not a medical device;"));
    for other in ["<script", "http", "javascript:", "NaN", "inf\""] {
        assert!(!dom.contains(other), "{other}");
    }

    let print = opened.path("debrief.pdf");
    opened.browse(&["--no-pdf-header-footer".to_string(), format!("--print-to-pdf={}", print.display())]);
    let pdf = std::fs::read(print).unwrap();
    let has = |words: &[u8], next: u8| {
        pdf.windows(words.len() + 1).filter(|w| w.starts_with(words) && w[words.len()] != next).count()
    };
    let pages = has(b"/Type /Page", b's');
    assert!((1..=5).contains(&pages), "{pages} pages");

    // The width of A4 less its margins, at 96 pixels an inch.
    let (pixels, width) = opened.picture(680, 3400);
    let dark = pixels.iter().filter(|p| **p < 128).count();
    assert!(dark > pixels.len() / 200, "{dark} dark pixels of {}", pixels.len());
    // Beside the text there is a margin; what is too wide would reach into it.
    let reaches = pixels.chunks(width).position(|row| row[width - 8..].iter().any(|p| *p < 250));
    assert_eq!(reaches, None, "something is wider than the page, at that row");
}

/// What is played for the page of samples, and why it is shown.
const SAMPLES: [(&str, &str, &str); 5] = [
    ("long-eye-dense-core", "good", "A very long eye, and all of it met."),
    ("medium-uniform", "poor", "Too shallow, so that the shaft bears on too little."),
    ("off-centre-core", "poor", "Aimed at the lens's middle and not at the core."),
    ("weak-zonules", "poor", "A hand faster than its ultrasound, and nobody called."),
    ("last-piece-lax-capsule", "poor", "A low bottle and high vacuum with a slack capsule, up to a breach and on."),
];

/// The line of the page from which it is what the commands print; what stands before is written by hand.
const BEGINS: &str = "# Sample debriefs\n";

/// The samples are what the commands print; `CORECLEFT_MINT=1` writes them anew.
#[test]
fn the_sample_debriefs_are_what_the_commands_print() {
    let mut page =
        format!("{BEGINS}\nWhat `corecleft play` prints for some shipped plans, word for word; a test keeps it so.\n",);
    for (case, which, why) in SAMPLES {
        let (case, plan) = (format!("scenarios/{case}.ron"), format!("scenarios/{case}.{which}.plan.ron"));
        let output = Command::new(env!("CARGO_BIN_EXE_corecleft"))
            .current_dir(common::path("."))
            .args(["play", &case, "--plan", &plan])
            .output()
            .unwrap();
        assert!(output.status.success());
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        page += &format!("\n## {why}\n\n```sh\ncorecleft play {case} --plan {plan}\n```\n\n```text\n{text}```\n");
    }
    let file = common::path("docs/debriefs.md");
    let found = std::fs::read_to_string(&file).unwrap();
    let (by_hand, samples) = found.split_at(found.find(BEGINS).expect("the samples begin with their heading"));
    if std::env::var_os("CORECLEFT_MINT").is_some() {
        std::fs::write(&file, format!("{by_hand}{page}")).unwrap();
        return;
    }
    assert!(samples == page, "docs/debriefs.md is not what the commands print now");
}
