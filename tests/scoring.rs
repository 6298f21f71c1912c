//! `docs/scoring.md` against the components themselves: each is described under its name and with the threshold that holds where
//! a case states none, and the repeatability it gives is the one measured here.
#![allow(clippy::unwrap_used, reason = "a helper that fails fails the test that called it")]

mod common;

use corecleft::case::CaseSpec;
use corecleft::debrief::{Component, Course, Debrief, Status};
use corecleft::plan::{PlanSpec, Scatter, read_plan};
use std::fmt::Write as _;

/// Cases and how often each plan is tried by scattered hands: those that go for the whole nucleus take longer.
const CASES: [(&str, u64); 10] = [
    ("medium-uniform", 8),
    ("long-eye-dense-core", 8),
    ("leathery-plate", 8),
    ("off-centre-core", 8),
    ("dense-large", 8),
    ("misleading-slit-lamp", 8),
    ("weak-zonules", 8),
    ("poor-hydrodissection", 8),
    ("soft-nucleus", 4),
    ("last-piece-lax-capsule", 4),
];

fn doc() -> String {
    std::fs::read_to_string(common::path("docs/scoring.md")).unwrap()
}

fn components(case: &CaseSpec, plan: &PlanSpec) -> Vec<Component> {
    let model = common::model(case, 1);
    let course = Course::of_plan(&model, plan).unwrap();
    Debrief::of(&course.facts(case, &model)).components
}

fn good(name: &str) -> (CaseSpec, PlanSpec) {
    shipped(name, "good")
}

fn shipped(name: &str, which: &str) -> (CaseSpec, PlanSpec) {
    let (plan, _) = read_plan(&common::path(&format!("scenarios/{name}.{which}.plan.ron"))).unwrap();
    (common::shipped(&format!("{name}.ron")), plan)
}

#[test]
fn every_component_is_described_in_the_order_of_the_page() {
    let (case, plan) = good("medium-uniform");
    let doc = doc();
    let headings: Vec<&str> = doc.lines().filter_map(|line| line.strip_prefix("### ")).collect();
    let wanted: Vec<String> = components(&case, &plan).iter().map(|c| format!("{} (`{}`)", c.label, c.id)).collect();
    assert_eq!(headings, wanted);
    let sections: Vec<&str> = doc.split("\n### ").skip(1).collect();
    for (section, heading) in sections.iter().zip(&headings) {
        for part in ["**Measured:**", "**Score:**", "**Why:**", "**Asked for:**"] {
            assert_eq!(section.matches(part).count(), 1, "{part} of {heading}");
        }
    }
}

/// Goals that a case may leave out show their threshold on the page; the description has to say the same.
#[test]
fn thresholds_that_hold_without_a_goal_are_those_described() {
    let (mut case, plan) = good("medium-uniform");
    let goals = &mut case.goals;
    (goals.capsule_travel_mm, goals.zonule_load_mn, goals.incision_c) = (None, None, None);
    (goals.power_factor, goals.followed_at_first, goals.nucleus_left) = (None, None, None);
    let doc = doc();
    let left_out = ["fragment-control", "chamber-steadiness", "zonule-load", "power-use", "incision-temperature"];
    for component in components(&case, &plan).iter().filter(|c| left_out.contains(&c.id)) {
        let section = doc.split("\n### ").find(|s| s.contains(&format!("(`{}`)", component.id))).unwrap();
        let said = format!("provisionally {}", component.wanted);
        assert!(section.contains(&said), "{}: `{said}` is not said", component.id);
    }
}

/// Of a component: how often it applied, and of its score the mean and the spread within a case (pooled over cases).
#[derive(Clone, Copy, Default)]
struct Spread {
    tries: usize,
    sum: f64,
    squares: f64,
    freedom: usize,
}

impl Spread {
    fn add_case(&mut self, scores: &[f64]) {
        let mean = scores.iter().sum::<f64>() / scores.len().max(1) as f64;
        self.tries += scores.len();
        self.sum += scores.iter().sum::<f64>();
        self.squares += scores.iter().map(|s| (s - mean).powi(2)).sum::<f64>();
        self.freedom += scores.len().saturating_sub(1);
    }

    /// Tries, mean and standard deviation as cells of a row.
    fn cells(&self) -> String {
        if self.freedom == 0 {
            return format!("{} | – | –", self.tries);
        }
        let (mean, deviation) = (self.sum / self.tries as f64, (self.squares / self.freedom as f64).sqrt());
        format!("{} | {mean:.2} | {deviation:.2}", self.tries)
    }
}

/// Of each component, over all cases, by the plans of that kind in scattered hands.
fn spreads(which: &str) -> Vec<(&'static str, Spread)> {
    let mut spreads: Vec<(&'static str, Spread)> = Vec::new();
    for (name, count) in CASES {
        let (case, plan) = shipped(name, which);
        let tries: Vec<Vec<Component>> =
            (1..=count).map(|seed| components(&case, &plan.by_hand(&Scatter::TRAINED, seed))).collect();
        for (at, component) in tries[0].iter().enumerate() {
            if spreads.len() == at {
                spreads.push((component.id, Spread::default()));
            }
            let applying = tries.iter().map(|t| &t[at]).filter(|c| c.status != Status::NotApplicable);
            spreads[at].1.add_case(&applying.map(|c| c.score).collect::<Vec<_>>());
        }
    }
    spreads
}

#[test]
fn the_repeatability_given_is_the_one_measured() {
    let mut table = String::new();
    for ((id, good), (_, poor)) in spreads("good").into_iter().zip(spreads("poor")) {
        let _ = writeln!(table, "| `{id}` | {} | {} |", good.cells(), poor.cells());
    }
    assert!(doc().contains(&table), "docs/scoring.md gives another table; measured is:\n{table}");
}
