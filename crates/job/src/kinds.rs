//! The kinds of entries a job is made of, version 1: their bodies and the field each belongs to.
//!
//! A job's subjects are `job/<id>/<field>`. A **single** field has one value: two standing entries that differ are a
//! disagreement. A **list** field is a union; a mistaken item is struck (kind `strike`) and stays readable.

use journal::{EntryHash, PersonId, PhotoHash};
use serde::{Deserialize, Serialize};
use trade::Measure;

/// Whether a field has one value or many.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// One value; several standing values are a disagreement.
    Single,
    /// A union of items.
    List,
}

/// A field of a job: its path below `job/<id>/`, the kind it takes, its shape and its step (0 = no step).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FieldSpec {
    /// Path; `*` stands for one variable part.
    pub path: &'static str,
    /// Kind of the entries.
    pub kind: &'static str,
    /// Shape.
    pub shape: Shape,
    /// Step 1 to 12, or 0.
    pub step: u8,
}

const fn one(path: &'static str, kind: &'static str, step: u8) -> FieldSpec {
    FieldSpec { path, kind, shape: Shape::Single, step }
}
const fn list(path: &'static str, kind: &'static str, step: u8) -> FieldSpec {
    FieldSpec { path, kind, shape: Shape::List, step }
}

/// Every field of a job.
pub const FIELDS: &[FieldSpec] = &[
    one("open", "open", 0),
    one("place", "place", 1),
    one("second-count", "second-count", 1),
    one("failure", "failure", 2),
    list("photos", "photo", 2),
    one("gauge", "gauge", 3),
    list("readings", "reading", 3),
    one("plan", "plan", 4),
    one("before-work/*", "check", 5),
    one("material", "material", 6),
    one("filler", "filler", 6),
    one("procedure", "procedure", 6),
    one("gap/*", "gap", 7),
    one("piece", "piece", 7),
    one("joint/*/fit-up", "fit-up", 8),
    list("joint/*/welds", "weld", 9),
    one("joint/*/visual", "visual", 10),
    one("test", "pressure-test", 11),
    one("hand-over", "hand-over", 12),
    list("notes", "note", 0),
    list("gate/*", "sign", 0),
];

/// The clock positions at which the gap is measured.
pub const GAP_CLOCKS: [&str; 4] = ["12", "3", "6", "9"];
/// The two joints of a replacement piece.
pub const JOINTS: [&str; 2] = ["upper", "lower"];

/// `open`: a job exists.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Open {
    /// Short number, e.g. `K4-071`: the tablet's name and its own running number.
    pub number: String,
    /// Section identifier.
    pub section: String,
}

/// `place`: which tube.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// Section identifier.
    pub section: String,
    /// Element or row, from 1.
    pub row: u32,
    /// Tube number counted from the section's start end, from 1.
    pub tube: u32,
    /// Elevation.
    pub elevation: Measure,
    /// `fire` or `cold`.
    pub side: String,
    /// Nearest landmark in words, or empty.
    #[serde(default)]
    pub landmark: String,
}

/// `second-count`: the same tube counted by another person from the other end, without seeing the first figure.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SecondCount {
    /// Tube number counted from the other end, from 1.
    pub tube: u32,
}

/// `failure`: what was seen.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Failure {
    /// `rupture`, `perforation`, `crack`, `thinning`, `none-seen`.
    pub opening: String,
    /// Looks, not causes: codes such as `bulge`, `thin-lip`, `thick-lip`, `cracking`, `inside-deposit`, `gouging`, `polished`.
    pub signs: Vec<String>,
    /// `leaked-first`, `struck`, `not-sure`.
    pub first: String,
    /// Free words.
    #[serde(default)]
    pub note: String,
}

/// `photo`: one picture, named by the hash of its untouched bytes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Photo {
    /// BLAKE3 of the original bytes.
    pub hash: PhotoHash,
    /// Length of the original in bytes.
    pub bytes: u64,
    /// `overview`, `middle`, `close`, `other`.
    pub view: String,
    /// Caption.
    #[serde(default)]
    pub caption: String,
    /// Width after orientation, px.
    pub width: u32,
    /// Height after orientation, px.
    pub height: u32,
    /// `image/jpeg` or `image/png`.
    pub mime: String,
}

/// One step of the calibration block.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BlockStep {
    /// Thickness of the step.
    pub nominal: Measure,
    /// What the gauge showed.
    pub read: Measure,
}

/// `gauge`: the ultrasonic gauge and its check on the calibration block.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gauge {
    /// Gauge number.
    pub gauge: String,
    /// Calibration block number.
    pub block: String,
    /// The steps read, thinnest first.
    pub steps: Vec<BlockStep>,
    /// Surface temperature of the tube.
    pub surface: Measure,
}

/// `reading`: one wall reading.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reading {
    /// Elevation.
    pub elevation: Measure,
    /// Clock position 1 to 12.
    pub clock: u8,
    /// Wall as shown by the gauge.
    pub wall: Measure,
    /// Gauge number.
    pub gauge: String,
    /// True where the person was asked again and confirmed an unlikely value.
    #[serde(default)]
    pub read_twice: bool,
}

/// `plan`: what is to be done and why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Plan {
    /// `dutchman`, `window`, `pad`, `plug`.
    pub method: String,
    /// Why.
    pub why: String,
    /// Upper cut, elevation (for `dutchman`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper_cut: Option<Measure>,
    /// Lower cut, elevation (for `dutchman`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lower_cut: Option<Measure>,
}

/// `check`: one before-work check, answered with what the person saw.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckDone {
    /// Check identifier of the plan.
    pub check: String,
    /// What was seen.
    pub saw: String,
    /// `good` or `not-good`.
    pub result: String,
}

/// `material`: the replacement tube.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Material {
    /// Specification and grade.
    pub grade: String,
    /// Outside diameter.
    pub od: Measure,
    /// Wall.
    pub wall: Measure,
    /// Heat number as stamped on the tube.
    pub heat: String,
    /// Certificate number.
    pub certificate: String,
    /// Positive material identification: `agrees`, `differs`, `not-known`.
    pub pmi: String,
}

/// `filler`: the filler metal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Filler {
    /// Classification, e.g. `ER70S-2`.
    pub class: String,
    /// Lot number.
    pub lot: String,
}

/// `procedure`: the welding procedure used.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProcedureUsed {
    /// Procedure number of the plan.
    pub procedure: String,
}

/// `gap`: the gap between the cut ends at one clock position.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// The gap.
    pub gap: Measure,
    /// Tape or rule number, or empty.
    #[serde(default)]
    pub instrument: String,
    /// True where the person was asked again and kept an unlikely value.
    #[serde(default)]
    pub read_twice: bool,
}

/// `piece`: the replacement piece as cut.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Piece {
    /// Length as measured after cutting and bevelling.
    pub length: Measure,
    /// True where the person was asked again and kept an unlikely value.
    #[serde(default)]
    pub read_twice: bool,
}

/// `fit-up` of one joint.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FitUp {
    /// Root opening.
    pub root: Measure,
    /// Misalignment of the insides.
    pub misalignment: Measure,
    /// Stamp of the welder who fitted and tacked.
    pub stamp: String,
}

/// `weld`: one pass of one joint.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Weld {
    /// `tack`, `root`, `fill`, `cap`.
    pub pass: String,
    /// Welding process, `GTAW` or `SMAW`.
    pub process: String,
    /// Welder's stamp.
    pub stamp: String,
    /// Filler lot.
    pub lot: String,
}

/// `visual`: the final visual examination of one joint.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Visual {
    /// `accept` or `reject`.
    pub result: String,
    /// What was seen.
    pub saw: String,
}

/// `pressure-test`: the pressure test that covered this job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PressureTest {
    /// Pressure at the gauge.
    pub pressure: Measure,
    /// Water temperature.
    pub water: Measure,
    /// Gauge number.
    pub gauge: String,
    /// Minutes held.
    pub hold_min: u32,
    /// `tight` or `leak`.
    pub result: String,
    /// Where it leaked, or empty.
    #[serde(default)]
    pub saw: String,
}

/// `hand-over`: the closing note.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HandOver {
    /// What the next crew and the packet must know.
    pub note: String,
}

/// `note`: free words.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// The words.
    pub text: String,
}

/// `sign`: a sign-off or, with a reason, a waiver, at a hold point.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sign {
    /// Hold point identifier.
    pub gate: String,
    /// Signed as.
    pub role: crate::plan::Role,
    /// The statement exactly as shown.
    pub statement: String,
    /// Language of the statement shown.
    pub lang: String,
    /// Content root: hash over what was covered, the statement and the rule versions. See [`Covered`].
    pub root: String,
    /// What was covered: subject and its standing entries, sorted.
    pub covers: Vec<Covered>,
    /// Why the hold point is waived; absent for an ordinary sign-off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waived: Option<String>,
}

/// One subject in the scope of a sign-off with the entries that stood when it was signed.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Covered {
    /// Field below the job.
    pub field: String,
    /// Hashes of the standing entries, sorted.
    pub entries: Vec<EntryHash>,
}

/// `settle`: a person with the right role settles a disagreement. It stands on the field's subject and its basis
/// names exactly the entries that were on screen; a further value reopens it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Settle {
    /// Kind of the settled field.
    pub kind: String,
    /// The body that now stands.
    pub body: serde_json::Value,
    /// Why.
    pub reason: String,
}

/// `strike`: an item of a list was a mistake. It stays readable.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Strike {
    /// The struck entry.
    pub entry: EntryHash,
    /// Why.
    pub reason: String,
}

/// `series-begin`: the first entry of a series; carries the key that signs it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SeriesBegin {
    /// Ed25519 public key, hexadecimal.
    pub key: String,
    /// Name of the device, e.g. `K4` or `trailer`.
    pub name: String,
    /// `tablet` or `server`.
    pub role: String,
}

/// A person on an entry that no person made (set-up).
pub fn nobody() -> PersonId {
    PersonId("nobody".to_owned())
}
