//! The same model and the same inputs give the same bits: run again, cloned, saved and restored at any moment, and in
//! every build.
//!
//! `golden/state_hashes.txt` holds the final hashes of every shipped plan and of a run with two chops. Whichever profile
//! runs this file compares with it, so debug and release are compared through it. After a change that is meant to change
//! results, mint it anew, with a note that says why and with what effect:
//!
//! ```text
//! CORECLEFT_MINT=1 CORECLEFT_MINT_NOTE="why, and what changed" \
//!     cargo test --release --no-default-features --test replay golden
//! ```
#![allow(clippy::unwrap_used, reason = "a helper that fails fails the test that called it")]

mod common;

use corecleft::plan::{PlanSpec, read_plan};
use corecleft::sim::event::EventKind;
use corecleft::sim::random::{Key, Purpose};
use corecleft::sim::save::RestoreError;
use corecleft::sim::{Inputs, Model, REVISION, State, step};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed, TestRunner};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::ops::Range;
use std::sync::LazyLock;

/// How many moments of each kind a run is interrupted at.
const MOMENTS: usize = 3;

/// Start of a saved state: the format's number, the model's digest, and from here on the hash of the body.
const HASH_AT: usize = 1 + 32;

/// Where the body of a saved state begins.
const BODY_AT: usize = HASH_AT + 32;

/// A run with two chops, as tick-by-tick inputs, and its states before each tick in rough steps.
struct Run {
    model: Model,
    inputs: Vec<Inputs>,
    last: State,
}

fn two_chops() -> PlanSpec {
    common::two_chops_plan(1.7, 42.0)
}

impl Run {
    fn new(model: Model) -> Self {
        let inputs = common::inputs(&model, &two_chops());
        let last = after(&model, &inputs);
        Self { model, inputs, last }
    }

    /// The state after so many ticks.
    fn at(&self, ticks: usize) -> State {
        after(&self.model, &self.inputs[..ticks])
    }

    /// Go on from a state to the end of the run.
    fn finish(&self, mut state: State) -> State {
        let from = state.tick as usize;
        self.inputs[from..].iter().for_each(|inputs| step(&self.model, &mut state, inputs));
        state
    }

    /// The longest unbroken stretch of ticks after which something holds.
    fn stretch(&self, is_meant: impl Fn(&State) -> bool) -> Range<usize> {
        let mut state = State::new(&self.model);
        let (mut longest, mut current) = (0..0, 0..0);
        for (i, inputs) in self.inputs.iter().enumerate() {
            step(&self.model, &mut state, inputs);
            current = if is_meant(&state) { current.start..i + 2 } else { i + 2..i + 2 };
            if current.len() > longest.len() {
                longest = current.clone();
            }
        }
        longest
    }
}

fn after(model: &Model, inputs: &[Inputs]) -> State {
    let mut state = State::new(model);
    inputs.iter().for_each(|inputs| step(model, &mut state, inputs));
    state
}

/// The run at full resolution, which several tests share.
static RUN: LazyLock<Run> = LazyLock::new(|| Run::new(common::model(&common::case(), 1)));

/// The same with few cells, for the tests that save and restore some thousand times.
static COARSE: LazyLock<Run> = LazyLock::new(|| Run::new(common::coarse_model(&common::case(), 1)));

fn splits(state: &State) -> usize {
    state.events.iter().filter(|e| matches!(e.kind, EventKind::BodySplit { .. })).count()
}

fn runner(cases: u32) -> TestRunner {
    TestRunner::new(Config { cases, rng_seed: RngSeed::Fixed(11), failure_persistence: None, ..Config::default() })
}

#[test]
fn the_run_that_is_replayed_holds_what_it_is_meant_to_hold() {
    let state = &RUN.last;
    assert_eq!(state.fault, None);
    assert_eq!(state.tick as usize, RUN.inputs.len());
    assert_eq!(splits(state), 2, "{:#?}", state.events);
    // The hands stop within 3° of what was meant: they turn through a spring, and adhesion holds back.
    assert!((state.lens.turned_rad.to_degrees() - 90.0).abs() < 3.0);
    assert!(state.lens.removed_ul > 0.0);
}

#[test]
fn the_same_model_and_inputs_give_the_same_hash_tick_by_tick() {
    let again = common::model(&common::case(), 1);
    let (mut one, mut other) = (State::new(&RUN.model), State::new(&again));
    assert_eq!(RUN.model.digest, again.digest);
    for (i, inputs) in RUN.inputs.iter().enumerate() {
        step(&RUN.model, &mut one, inputs);
        step(&again, &mut other, inputs);
        if i % 20 == 0 {
            assert_eq!(one.hash(), other.hash(), "after {} ticks", one.tick);
        }
    }
    assert_eq!(one.hash(), other.hash());
    assert_eq!(one.hash(), RUN.last.hash());
}

#[test]
fn another_seed_another_plan_or_one_other_input_gives_another_hash() {
    let seed = common::model(&common::case(), 2);
    assert_ne!(common::run(&seed, &two_chops()).hash(), RUN.last.hash());
    let deeper = common::run(&RUN.model, &common::two_chops_plan(1.8, 42.0));
    assert_ne!(deeper.hash(), RUN.last.hash());
    let mut inputs = RUN.inputs.clone();
    inputs[400].power_limit += 1e-9;
    assert_ne!(after(&RUN.model, &inputs).hash(), RUN.last.hash());
}

#[test]
fn the_hash_sees_every_part_of_the_state() {
    let ticks = RUN.stretch(|s| s.opening.is_some()).start + 5;
    let state = RUN.at(ticks);
    type Change = fn(&mut State);
    let changes: [(&str, Change); 15] = [
        ("tick", |s| s.tick += 1),
        ("turn", |s| s.lens.turned_rad += 1e-12),
        ("damage", |s| s.lens.damage[40_000] = 1e-6),
        ("fragment", |s| s.lens.fragment[1000] ^= 1),
        ("volume", |s| s.lens.volume_ul[0] += 1e-9),
        ("needle", |s| s.needle.as_mut().unwrap().gap_mm += 1e-12),
        ("chopper", |s| s.chopper.as_mut().unwrap().press_un += 1e-9),
        ("path", |s| s.chopper.as_mut().unwrap().path.truncate(1)),
        ("rest", |s| s.rest = None),
        ("opening", |s| s.opening.as_mut().unwrap().separation_mm += 1e-12),
        ("chop event", |s| s.chop_event = None),
        ("pedal", |s| s.pedal.share -= 1e-12),
        ("totals", |s| s.totals.cutting_nj += 1.0),
        ("breach", |s| s.is_breached ^= true),
        ("events", |s| s.events.truncate(3)),
    ];
    for (what, change) in changes {
        let mut changed = state.clone();
        change(&mut changed);
        assert_ne!(changed.hash(), state.hash(), "{what}");
    }
}

#[test]
fn a_clone_goes_its_own_way() {
    let ticks = RUN.stretch(|s| s.opening.is_some()).start + 20;
    let state = RUN.at(ticks);
    let hash = state.hash();
    let clone = RUN.finish(state.clone());
    assert_eq!(clone.hash(), RUN.last.hash());
    assert_eq!(state.hash(), hash, "stepping a clone changed the original");
    assert_eq!(RUN.finish(state).hash(), clone.hash());
}

#[test]
fn a_state_restored_at_any_moment_goes_on_to_the_same_end() {
    let moments: [(&str, Range<usize>); 6] = [
        ("burying", RUN.stretch(|s| s.power > 0.0 && s.needle.as_ref().is_some_and(|n| n.buried_mm > 0.0))),
        ("pressing", RUN.stretch(|s| s.opening.is_none() && s.chopper.as_ref().is_some_and(|c| c.press_un > 0.0))),
        ("opening", RUN.stretch(|s| s.opening.is_some() && splits(s) == 0)),
        ("the first split", RUN.stretch(|s| s.opening.is_some() && splits(s) == 1)),
        ("the turn", RUN.stretch(|s| s.opening.is_none() && splits(s) == 1 && s.chopper.is_none())),
        ("the second opening", RUN.stretch(|s| s.opening.as_ref().is_some_and(|o| !o.is_complete) && splits(s) == 1)),
    ];
    for (n, (what, stretch)) in moments.into_iter().enumerate() {
        assert!(stretch.len() > 2 * MOMENTS, "{what} takes only {} ticks", stretch.len());
        let key = Key { seed: 5, purpose: Purpose::Heterogeneity, place: [n as i32, 0, 0], tick: 0 };
        for i in 0..MOMENTS {
            let ticks = stretch.start + (key.uniform(i as u64) * stretch.len() as f64) as usize;
            let state = RUN.at(ticks);
            let bytes = state.save(&RUN.model);
            let restored = State::restore(&RUN.model, &bytes).unwrap_or_else(|e| panic!("{what}, tick {ticks}: {e}"));
            assert_eq!(restored.save(&RUN.model), bytes, "{what}, tick {ticks}");
            assert_eq!(restored.hash(), state.hash(), "{what}, tick {ticks}");
            assert_eq!(RUN.finish(restored).hash(), RUN.last.hash(), "{what}, tick {ticks}");
        }
    }
}

#[test]
fn a_state_that_stopped_at_a_fault_can_be_saved_and_restored() {
    let mut state = COARSE.at(400);
    step(&COARSE.model, &mut state, &Inputs { power_limit: f64::NAN, ..COARSE.inputs[400].clone() });
    assert!(state.fault.is_some());
    let restored = State::restore(&COARSE.model, &state.save(&COARSE.model)).unwrap();
    assert_eq!(restored.fault, state.fault);
    assert_eq!(restored.hash(), state.hash());
}

#[test]
fn another_version_or_another_model_is_refused() {
    let bytes = COARSE.last.save(&COARSE.model);
    for format in (0..=255).filter(|format| *format != bytes[0]) {
        let mut other = bytes.clone();
        other[0] = format;
        assert_eq!(State::restore(&COARSE.model, &other).err(), Some(RestoreError::Format), "format {format}");
    }
    assert_eq!(State::restore(&COARSE.model, &[]).err(), Some(RestoreError::Format));
    let (seed, spec) = (common::coarse_model(&common::case(), 2), common::case_with_core(4.0, 4.5, 3.2));
    let (core, fine) = (common::coarse_model(&spec, 1), &RUN.model);
    for other in [&seed, &core, fine] {
        assert_eq!(State::restore(other, &bytes).err(), Some(RestoreError::Model));
    }
    assert!(State::restore(&COARSE.model, &bytes).is_ok());
}

#[test]
fn bytes_cut_short_or_added_to_are_refused() {
    let bytes = COARSE.at(COARSE.stretch(|s| s.opening.is_some()).start + 5).save(&COARSE.model);
    for length in (0..bytes.len()).step_by(7).chain(bytes.len() - 8..bytes.len()) {
        assert!(State::restore(&COARSE.model, &bytes[..length]).is_err(), "{length} of {} bytes", bytes.len());
    }
    let longer = [bytes.as_slice(), &[0]].concat();
    assert_eq!(State::restore(&COARSE.model, &longer).err(), Some(RestoreError::Damaged));
    // Nor when the hash fits what was added to or cut short.
    assert_eq!(State::restore(&COARSE.model, &rehashed(longer)).err(), Some(RestoreError::Damaged));
    let shorter = rehashed(bytes[..bytes.len() - 1].to_vec());
    assert_eq!(State::restore(&COARSE.model, &shorter).err(), Some(RestoreError::Damaged));
}

/// The same bytes with a hash that fits their body.
fn rehashed(mut bytes: Vec<u8>) -> Vec<u8> {
    let hash = blake3::hash(&bytes[BODY_AT..]);
    bytes[HASH_AT..BODY_AT].copy_from_slice(hash.as_bytes());
    bytes
}

/// Saved states from all phases of the coarse run.
fn saved() -> Vec<Vec<u8>> {
    let is_opening = |splits_so_far: usize| move |s: &State| s.opening.is_some() && splits(s) == splits_so_far;
    let middles = [COARSE.stretch(is_opening(0)), COARSE.stretch(is_opening(1)), 1..COARSE.inputs.len()]
        .map(|stretch| stretch.start + stretch.len() / 2);
    middles.iter().map(|ticks| COARSE.at(*ticks).save(&COARSE.model)).collect()
}

#[test]
fn a_flipped_bit_is_always_noticed() {
    let saved = saved();
    let outcome = runner(2000).run(&(0..saved.len(), any::<prop::sample::Index>(), 0..8u8), |(which, at, bit)| {
        let mut bytes = saved[which].clone();
        let at = at.index(bytes.len());
        bytes[at] ^= 1 << bit;
        prop_assert!(State::restore(&COARSE.model, &bytes).is_err());
        Ok(())
    });
    outcome.unwrap_or_else(|failure| panic!("{failure}"));
}

/// Bytes that were changed and given a hash that fits: refused, or a state from which the engine goes on without a panic.
#[test]
fn bytes_made_up_to_look_whole_are_refused_or_can_be_stepped() {
    let saved = saved();
    let change = (any::<prop::sample::Index>(), any::<u8>());
    let strategy = (0..saved.len(), prop::bool::ANY, prop::collection::vec(change, 1..4));
    let (restored, refused) = (std::cell::Cell::new(0), std::cell::Cell::new(0));
    let outcome = runner(3000).run(&strategy, |(which, is_early, changes)| {
        let mut bytes = saved[which].clone();
        for (at, value) in changes {
            // Ids and lengths stand near the start and the end; most of the middle is numbers.
            let span = if is_early { 400.min(bytes.len() - BODY_AT) } else { bytes.len() - BODY_AT };
            let at = BODY_AT + at.index(span);
            bytes[at] = value;
        }
        match State::restore(&COARSE.model, &rehashed(bytes)) {
            Err(_) => refused.set(refused.get() + 1),
            Ok(mut state) => {
                restored.set(restored.get() + 1);
                let from = (COARSE.inputs.len() / 2).min(state.tick as usize);
                for inputs in COARSE.inputs[from..].iter().step_by(60).take(20) {
                    step(&COARSE.model, &mut state, inputs);
                }
            }
        }
        Ok(())
    });
    outcome.unwrap_or_else(|failure| panic!("{failure}"));
    // Both ways out must have been taken often, or this would be no test of either.
    assert!(restored.get() > 300 && refused.get() > 300, "{} restored, {} refused", restored.get(), refused.get());
}

/// Ids that name nothing, one at a time, in a state that is otherwise sound.
#[test]
fn a_state_that_cannot_be_is_refused_with_a_reason() {
    let state = COARSE.at(COARSE.stretch(|s| s.opening.is_some()).start + 5);
    let alone = (0..state.lens.damage.len())
        .find(|b| COARSE.model.cells.forward[b / 13][b % 13] == corecleft::sim::cells::NONE);
    let alone = alone.unwrap();
    type Change = Box<dyn Fn(&mut State)>;
    let changes: Vec<(&str, Change)> = vec![
        ("a tick beyond counting", Box::new(|s| s.tick = u64::MAX)),
        ("a cell of no fragment", Box::new(|s| s.lens.fragment[100] = 500)),
        ("a cell less", Box::new(|s| s.lens.fragment.truncate(100))),
        ("a volume too large", Box::new(|s| s.lens.volume_ul[0] += 0.1)),
        ("removed without a cell", Box::new(|s| s.lens.removed_ul += 0.1)),
        ("damage above 1", Box::new(|s| s.lens.damage[130] = 1.5)),
        ("damage below 0", Box::new(|s| s.lens.damage[130] = -0.5)),
        ("damage not a number", Box::new(|s| s.lens.damage[130] = f32::NAN)),
        ("damage to no bond", Box::new(move |s| s.lens.damage[alone] = 1.0)),
        ("a cause that comes later", Box::new(|s| s.events[1].cause = Some(7))),
        ("an event of the future", Box::new(|s| s.events[1].tick = u64::MAX)),
        ("a chop without an event", Box::new(|s| s.chop_event = Some(1000))),
        ("an opening of no chop", Box::new(|s| s.chop_event = None)),
        ("an opening without rest", Box::new(|s| s.rest = None)),
        ("sides of another lens", Box::new(|s| s.opening.as_mut().unwrap().is_above.truncate(9))),
        ("a bond of another lens", Box::new(|s| s.opening.as_mut().unwrap().members[0].bond = u32::MAX)),
        ("a facet that is not there", Box::new(|s| s.opening.as_mut().unwrap().members[0].facet = 100_000)),
        ("a shaft without end", Box::new(|s| s.needle.as_mut().unwrap().buried_mm = 1e300)),
        ("a tip that is nowhere", Box::new(|s| s.needle.as_mut().unwrap().tip.place_mm.x = f64::NAN)),
        ("a path without end", Box::new(|s| s.chopper.as_mut().unwrap().path[0].a.z = 1e300)),
        ("a lens that is nowhere", Box::new(|s| s.lens.pushed_mm.z = f64::INFINITY)),
        ("no power", Box::new(|s| s.power = f64::NAN)),
    ];
    assert!(State::restore(&COARSE.model, &state.save(&COARSE.model)).is_ok());
    for (what, change) in changes {
        let mut changed = state.clone();
        change(&mut changed);
        let outcome = State::restore(&COARSE.model, &changed.save(&COARSE.model));
        assert!(matches!(outcome, Err(RestoreError::Impossible(_))), "{what}: {outcome:?}", outcome = outcome.err());
    }
}

/// The golden file: notes, then a hash for each case, seed and plan.
struct Golden {
    /// `sim::REVISION` when the table was minted.
    revision: u32,
    notes: Vec<String>,
    rows: BTreeMap<String, String>,
}

impl Golden {
    const FILE: &str = "tests/golden/state_hashes.txt";
    const HEAD: &str = "\
# Final state hashes: case, seed, plan, hash. Never edit by hand; tests/replay.rs says how to mint it anew.
# Each note says why a table was minted, and begins with the digest of that table's rows; the last is the table below.
";

    fn read() -> Self {
        let text = std::fs::read_to_string(common::path(Self::FILE)).unwrap_or_default();
        let mut golden = Self { revision: 0, notes: Vec::new(), rows: BTreeMap::new() };
        for line in text.lines().filter(|line| !line.starts_with('#') && !line.is_empty()) {
            if let Some(revision) = line.strip_prefix("revision ") {
                golden.revision = revision.parse().unwrap();
                continue;
            }
            match line.strip_prefix("note ") {
                Some(note) => golden.notes.push(note.to_owned()),
                None => {
                    let (run, hash) = line.rsplit_once(' ').unwrap_or_else(|| panic!("{}: `{line}`", Self::FILE));
                    golden.rows.insert(run.trim().to_owned(), hash.to_owned());
                }
            }
        }
        golden
    }

    /// What the last note must begin with.
    fn digest(&self) -> String {
        let rows: String = self.rows.iter().map(|(run, hash)| format!("{run} {hash}\n")).collect();
        blake3::hash(rows.as_bytes()).to_hex()[..8].to_owned()
    }

    fn write(&self) {
        let mut text = Self::HEAD.to_owned();
        self.notes.iter().for_each(|note| writeln!(text, "note {note}").unwrap());
        writeln!(text, "revision {}\n", self.revision).unwrap();
        self.rows.iter().for_each(|(run, hash)| writeln!(text, "{run:<80} {hash}").unwrap());
        let path = common::path(Self::FILE);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }
}

/// What this build computes: every shipped plan on its case, and the run with two chops.
fn computed() -> BTreeMap<String, String> {
    let mut rows = BTreeMap::new();
    let mut plans: Vec<_> = std::fs::read_dir(common::path("scenarios")).unwrap().map(|e| e.unwrap().path()).collect();
    plans.retain(|path| path.to_string_lossy().ends_with(".plan.ron"));
    for path in plans {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let case = name.split('.').next().unwrap();
        let (plan, _) = read_plan(&path).unwrap_or_else(|faults| panic!("{faults:?}"));
        // Another case or plan is another run, not a change of the engine.
        let case_text = std::fs::read(common::path(&format!("scenarios/{case}.ron"))).unwrap();
        let told = [case_text, std::fs::read(&path).unwrap()].concat();
        let digest = &blake3::hash(&told).to_hex()[..8];
        let state = common::run(&common::model(&common::shipped(&format!("{case}.ron")), 1), &plan);
        rows.insert(format!("{case} 1 {name} {digest}"), state.hash().to_hex().to_string());
    }
    rows.insert("long-eye-dense-core 1 two-chops".to_owned(), RUN.last.hash().to_hex().to_string());
    rows
}

#[test]
fn golden_hashes_are_those_of_this_build() {
    let mut golden = Golden::read();
    let computed = computed();
    assert!(computed.len() >= 2, "no shipped plan was found");
    if std::env::var("CORECLEFT_MINT").is_ok_and(|mint| mint == "1") {
        let note = std::env::var("CORECLEFT_MINT_NOTE").unwrap_or_default();
        assert!(note.trim().len() >= 10, "CORECLEFT_MINT_NOTE must say why the hashes change, and with what effect");
        assert!(!note.contains('\n'), "a note is one line");
        let changes = golden.rows.iter().any(|(run, hash)| computed.get(run).is_some_and(|here| here != hash));
        assert!(!changes || REVISION > golden.revision, "the engine computes otherwise: raise sim::REVISION");
        golden.revision = REVISION;
        if golden.rows != computed {
            golden.rows = computed;
            golden.notes.push(format!("{} {}", golden.digest(), note.trim()));
        }
        golden.write();
        return;
    }
    assert!(!golden.rows.is_empty(), "{} is missing or empty: mint it", Golden::FILE);
    assert_eq!(golden.revision, REVISION, "sim::REVISION was changed without a reason: mint the hashes");
    let last = golden.notes.last().map_or("", String::as_str);
    assert!(
        last.strip_prefix(&golden.digest()).is_some_and(|note| note.trim().len() >= 10),
        "{} was changed without a note; its rows have the digest {}",
        Golden::FILE,
        golden.digest()
    );
    for (run, hash) in &computed {
        let expected = golden.rows.get(run).unwrap_or_else(|| panic!("no golden hash of `{run}`: mint it"));
        assert_eq!(hash, expected, "`{run}` no longer ends in the state it ended in");
    }
    for run in golden.rows.keys() {
        assert!(computed.contains_key(run), "a golden hash of `{run}`, which is not shipped any more: mint it");
    }
}
