//! What the fold gives: one job as the screens, the board and the sums see it. Serialised to JSON byte for byte the same
//! on every machine that holds the same entries.

use crate::plan::Role;
use crate::say::Say;
use journal::{DeviceId, EntryHash, PersonId};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use trade::{Measure, Trace};

/// Who wrote something, where and when (as far as clocks can be believed).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct By {
    /// The person.
    pub person: PersonId,
    /// Name from the roster, or the identifier where the roster does not know it.
    pub name: String,
    /// The device.
    pub device: DeviceId,
    /// Name of the device, e.g. `K4`.
    pub tablet: String,
    /// Wall clock of that device, ms since 1970. Shown, never trusted.
    pub wall_ms: i64,
    /// That clock less the server's, ms, as nearly as is known; absent where they were never compared in that run of the
    /// device. Shown beside the time; it orders nothing and corrects nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub skew_ms: Option<i64>,
    /// Lamport counter, for display order only.
    pub counter: u64,
}

/// One answer to a single field. Equal values stand as one answer with several entries.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Answer {
    /// The standing entries that say so.
    pub entries: Vec<EntryHash>,
    /// Kind of the body.
    pub kind: String,
    /// The body, as in [`crate::kinds`].
    pub body: serde_json::Value,
    /// The authors, one for each entry.
    pub by: Vec<By>,
    /// Set where the answer is a settlement: the reason.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub settled: Option<String>,
}

/// State of a single field.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FieldState {
    /// One value stands.
    Agreed,
    /// Two or more values stand.
    TwoAnswers,
    /// A kind or version this program does not understand stands here: read-only, update to edit.
    NotUnderstood,
}

/// A single field with everything that stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FieldView {
    /// State.
    pub state: FieldState,
    /// The answers in the order of the tablets' names, never of time.
    pub answers: Vec<Answer>,
    /// Answers that were settled or replaced, oldest counter first: they stay readable.
    pub past: Vec<Answer>,
    /// What a new entry that builds on this screen must name as its basis.
    pub basis: Vec<EntryHash>,
    /// For two answers: which one governs warnings until settled (the worse), where that can be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub governs: Option<usize>,
    /// For two answers of a measure: how far they are apart, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub apart: Option<Say>,
}

/// One item of a list field.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ItemView {
    /// Its entry.
    pub entry: EntryHash,
    /// Kind.
    pub kind: String,
    /// Body.
    pub body: serde_json::Value,
    /// Author.
    pub by: By,
    /// Reason where it was struck.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub struck: Option<String>,
}

/// How far a step is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StepState {
    /// Nothing yet.
    NotBegun,
    /// Something, not all.
    InHand,
    /// All that the step needs.
    Recorded,
    /// All, and everything below and its gate are good.
    Proved,
    /// Two answers stand in it.
    TwoAnswers,
    /// Something in it is not known (PMI).
    NotKnown,
    /// Something in it is rejected, or stops the job (counts that do not meet, a leak).
    Reject,
}

/// One of the twelve steps.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepView {
    /// 1 to 12.
    pub step: u8,
    /// Code: `place`, `failure`, `readings`, `plan`, `before-work`, `material`, `cut-gap`, `fit-up`, `weld`, `examination`, `test`, `close-out`.
    pub name: String,
    /// State.
    pub state: StepState,
    /// True where something is recorded here above the level: drawn hatched.
    pub above_level: bool,
    /// What is still missing or wrong, most pressing first.
    pub wants: Vec<Say>,
    /// What stands, in few words.
    pub summary: Vec<Say>,
}

/// State of a gate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GateState {
    /// Nothing to sign yet.
    NotDue,
    /// Waits for signatures.
    Shut,
    /// All roles have signed what stands.
    Open,
    /// Waived with a reason.
    Waived,
}

/// One signature at a gate.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SignView {
    /// Its entry.
    pub entry: EntryHash,
    /// Signed as.
    pub role: Role,
    /// By whom.
    pub by: By,
    /// The statement that was signed.
    pub statement: String,
    /// False where it no longer counts.
    pub good: bool,
    /// Why it does not count: stale (with the fields that changed) or the person may not sign so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_good: Option<Say>,
    /// Reason of a waiver.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waived: Option<String>,
    /// Fields that differ from what was signed.
    pub changed: Vec<String>,
}

/// One hold point.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct GateView {
    /// Identifier in the plan.
    pub gate: String,
    /// The step on whose upper edge it stands.
    pub after_step: u8,
    /// State.
    pub state: GateState,
    /// Roles that must sign.
    pub roles: Vec<Role>,
    /// Roles that have not (validly) signed.
    pub missing: Vec<Role>,
    /// All signatures, also stale ones.
    pub signs: Vec<SignView>,
    /// True where at least one signature is stale.
    pub stale: bool,
    /// Records above this gate were made while it was shut.
    pub passed_shut: bool,
    /// Why nobody may sign now (two answers, something missing), or empty.
    pub blocked: Vec<Say>,
    /// The content root a signature made now would carry, apart from statement and language.
    pub covers: Vec<crate::kinds::Covered>,
}

/// The two counts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CountSum {
    /// Counted from the start end.
    pub first: u32,
    /// Counted from the other end, where done.
    pub second: Option<u32>,
    /// Tubes in the section.
    pub tubes: u32,
    /// `not-counted`, `meets`, `does-not-meet`, `same-person`.
    pub state: String,
}

/// Verdict on the least wall reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WallVerdict {
    /// Not below the required minimum by this reading.
    NotBelow,
    /// Within the reading's uncertainty of the minimum: cannot be cleared by this reading.
    CannotBeCleared,
    /// Below the required minimum.
    Below,
    /// No verdict: no minimum, no reading or no good gauge check.
    NotKnown,
}

/// The wall sum: least reading beside the required minimum.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WallSum {
    /// Required minimum wall, where the rule gives one.
    pub required: Option<Measure>,
    /// Its working, where the rule gives one.
    pub trace: Option<Trace>,
    /// Why there is no number.
    pub no_number: Option<Say>,
    /// Entry of the least standing reading.
    pub least_entry: Option<EntryHash>,
    /// The least standing reading.
    pub least: Option<Measure>,
    /// Verdict.
    pub verdict: WallVerdict,
    /// The gauge check: `good`, `out`, `missing`.
    pub gauge_check: String,
    /// True where cracking or hydrogen damage signs are ticked: thickness cannot clear them.
    pub thickness_cannot_clear: bool,
    /// Warnings in words.
    pub warnings: Vec<Say>,
}

/// The cut sum: gap to cut length, piece to openings.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CutSum {
    /// Clock positions still without a gap.
    pub missing: Vec<String>,
    /// The gap used at each position (where two answers stand: the larger).
    pub gaps: BTreeMap<String, Measure>,
    /// Greatest minus least gap.
    pub spread: Option<Measure>,
    /// Cut length of the piece, where all is known.
    pub length: Option<Measure>,
    /// Its working.
    pub trace: Option<Trace>,
    /// Why there is no number.
    pub no_number: Option<Say>,
    /// Shrinkage of the two welds together, least and greatest estimate.
    pub shrinkage: Option<(Measure, Measure)>,
    /// Its working.
    pub shrinkage_trace: Option<Trace>,
    /// Root opening that the piece as cut leaves at each joint, by clock position.
    pub openings: BTreeMap<String, Measure>,
    /// Working of the openings.
    pub openings_trace: Option<Trace>,
    /// Warnings in words.
    pub warnings: Vec<Say>,
}

/// The sums of a job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sums {
    /// The two counts, once there is a place.
    pub count: Option<CountSum>,
    /// Wall.
    pub wall: Option<WallSum>,
    /// Cut.
    pub cut: Option<CutSum>,
}

/// Something that a job waits for, for the board and for "yours next".
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Wanted {
    /// `signature`, `stale`, `two-answers`, `missing`, `not-known`, `reject`, `passed-shut`.
    pub what: String,
    /// The step it belongs to.
    pub step: u8,
    /// The hold point, for signatures.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gate: Option<String>,
    /// Who is wanted, where a role is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// The field, for disagreements.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub field: Option<String>,
    /// In words.
    pub say: Say,
    /// Wall clock of the entry since when it is due, ms since 1970, as far as clocks can be believed.
    pub since_ms: i64,
}

/// One job, folded.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct JobView {
    /// Job identifier (UUID, hexadecimal).
    pub job: String,
    /// Short number.
    pub number: String,
    /// Section identifier.
    pub section: String,
    /// Tube number, where known.
    pub tube: Option<u32>,
    /// Elevation, where known.
    pub elevation: Option<Measure>,
    /// `fire` or `cold`, where known.
    pub side: Option<String>,
    /// Who opened it.
    pub opened: By,
    /// Highest step of the unbroken proved column, 0 to 12.
    pub level: u8,
    /// The step the job stands at (level + 1, at most 12).
    pub stands_at: u8,
    /// True when level is 12 and nothing is wanted.
    pub full: bool,
    /// The twelve steps, first at index 0.
    pub steps: Vec<StepView>,
    /// The gates.
    pub gates: Vec<GateView>,
    /// Single fields by path.
    pub fields: BTreeMap<String, FieldView>,
    /// List fields by path.
    pub lists: BTreeMap<String, Vec<ItemView>>,
    /// The sums.
    pub sums: Sums,
    /// What it waits for, lowest step first.
    pub wanted: Vec<Wanted>,
    /// All devices whose entries are in it, by name.
    pub tablets: Vec<String>,
    /// How many entries it is made of.
    pub entries: usize,
}
