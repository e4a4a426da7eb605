//! The supervisor's board: every job, what is wanted, which tablets have been heard, and one honest sentence on top.
//!
//! Silence is a state, never calm: ready is not said while any tablet is silent, has something waiting, or photos that
//! only it holds.

use crate::plan::SitePlan;
use crate::say::Say;
use crate::view::{FieldState, JobView, StepState, Wanted};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use trade::Measure;

/// What the server knows of one tablet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TabletState {
    /// Name, e.g. `K4`.
    pub name: String,
    /// When it was last heard, ms since 1970 on the server's clock; `None` if never since pairing.
    pub heard_ms: Option<i64>,
    /// Records it said were still only there when last heard.
    pub entries_waiting: u64,
    /// Photos it said were still only there when last heard.
    pub photos_waiting: u64,
    /// Up to which of its entries it said that nothing is waiting.
    pub waiting_as_of: u64,
    /// Its clock less the server's at the last sync, ms.
    pub skew_ms: i64,
    /// True once it was taken off: it may not sync, and its records count up to `counts_to`.
    #[serde(default)]
    pub revoked: bool,
    /// The physical tablet, hexadecimal.
    #[serde(default)]
    pub device: String,
    /// Its series, hexadecimal.
    #[serde(default)]
    pub incarnation: String,
    /// Its entries up to this one count; `None` where all do.
    #[serde(default)]
    pub counts_to: Option<u64>,
    /// How many of its entries in the trailer are kept apart.
    #[serde(default)]
    pub apart: u64,
}

/// Why records in the trailer are kept apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ApartWhy {
    /// Nobody said that the series belongs to this site.
    Unknown,
    /// Its series was cut off before them.
    Cut,
    /// They do not fit the records here: two versions of a series, or a signature that does not fit.
    Refused,
}

/// Records of one series that are in the trailer and count for nothing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Apart {
    /// The series, hexadecimal.
    pub incarnation: String,
    /// Name of its device, as said or claimed.
    pub name: String,
    /// Why.
    pub why: ApartWhy,
    /// How many.
    pub n: u64,
    /// True where somebody with the role has looked at all of them and said what shall be.
    pub looked: bool,
}

/// How the trailer's backups stand.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Backup {
    /// When the last good one was begun, ms since 1970 on the server's clock; `None` where there was none yet.
    pub last_ms: Option<i64>,
    /// How often one is to be made, ms.
    pub every_ms: i64,
    /// True where there should have been one by now: the last is older than twice that.
    pub late: bool,
    /// What stood in the way of the last try.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub problem: Option<Say>,
}

/// What the trailer holds beside the jobs.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct InTrailer {
    /// Records that are kept apart.
    pub apart: Vec<Apart>,
    /// Records that this program cannot read.
    pub unread: u64,
    /// Stored records that are damaged and not shown.
    pub damaged: u64,
    /// True where more such records were brought than there is room for; they stay where they are.
    pub apart_full: bool,
    /// Backups, where the server makes them itself.
    pub backup: Option<Backup>,
}

/// How a tablet stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Heard {
    /// Heard lately, nothing waiting.
    NothingWaiting,
    /// Heard lately, something is still only there.
    Waiting,
    /// Not heard for longer than the plan allows, or never.
    Silent,
    /// Taken off by a person at the board; nothing is expected of it any more.
    TakenOff,
}

/// One tablet on the board.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TabletOnBoard {
    /// What the server knows.
    #[serde(flatten)]
    pub tablet: TabletState,
    /// How it stands.
    pub heard: Heard,
}

/// One job on the board.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct JobOnBoard {
    /// Job identifier.
    pub job: String,
    /// Short number.
    pub number: String,
    /// Section identifier.
    pub section: String,
    /// Tube number.
    pub tube: Option<u32>,
    /// Elevation.
    pub elevation: Option<Measure>,
    /// Side.
    pub side: Option<String>,
    /// Level, 0 to 12.
    pub level: u8,
    /// Step it stands at.
    pub stands_at: u8,
    /// True when everything is proved and nothing is wanted.
    pub full: bool,
    /// State of each step.
    pub steps: Vec<StepState>,
    /// Steps recorded above the level.
    pub above_level: Vec<u8>,
    /// Hold points that are shut: identifier and step.
    pub shut: Vec<(String, u8)>,
    /// What it waits for.
    pub wanted: Vec<Wanted>,
    /// Disagreements: field paths.
    pub two_answers: Vec<String>,
    /// When it was opened, as that tablet's clock had it.
    pub opened_ms: i64,
    /// Photos named by its records whose bytes are still only on a tablet.
    pub photos_away: usize,
    /// Silent tablets that have worked on it: more may be recorded there.
    pub silent_tablets: Vec<String>,
}

/// Whole counts; filters never change them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Jobs.
    pub jobs: usize,
    /// Jobs proved to the top.
    pub full: usize,
    /// Signatures missing at shut hold points.
    pub signatures: usize,
    /// Fields with two answers.
    pub two_answers: usize,
    /// Stale signatures that were not given again.
    pub stale: usize,
    /// Everything else that is wanted.
    pub other: usize,
    /// Photos still only on a tablet.
    pub photos_away: usize,
    /// Silent tablets.
    pub silent: usize,
    /// Tablets with something waiting.
    pub waiting: usize,
    /// Records kept apart that nobody has looked at.
    #[serde(default)]
    pub apart: u64,
    /// Records that the trailer's program cannot read.
    #[serde(default)]
    pub unread: u64,
    /// Stored records that are damaged.
    #[serde(default)]
    pub damaged: u64,
    /// Tablets that were taken off.
    #[serde(default)]
    pub taken_off: usize,
}

/// The board.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BoardView {
    /// Plant, unit and outage.
    pub plant: String,
    /// Unit.
    pub unit: String,
    /// Outage.
    pub outage: String,
    /// True only if every job is full, every tablet that was not taken off was heard with nothing waiting, and nothing is
    /// kept apart that nobody has looked at.
    pub ready: bool,
    /// The sentence on top, in parts.
    pub sentence: Vec<Say>,
    /// Whole counts.
    pub counts: Counts,
    /// Wanted by role code.
    pub by_role: BTreeMap<String, usize>,
    /// Jobs in the order of section and tube number.
    pub jobs: Vec<JobOnBoard>,
    /// Tablets by name.
    pub tablets: Vec<TabletOnBoard>,
    /// Records that are kept apart, by series.
    #[serde(default)]
    pub apart: Vec<Apart>,
    /// How the trailer's backups stand, where it makes them itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub backup: Option<Backup>,
    /// Server time of this board.
    pub now_ms: i64,
}

/// How a tablet stands at `now_ms`.
pub fn heard(tablet: &TabletState, silent_after_min: u32, now_ms: i64) -> Heard {
    let limit = i64::from(silent_after_min) * 60_000;
    if tablet.revoked {
        return Heard::TakenOff;
    }
    match tablet.heard_ms {
        // A time ahead of now means the server's clock was set back: that is no word from the tablet.
        Some(at) if (0..=limit).contains(&(now_ms - at)) => {
            if tablet.entries_waiting > 0 || tablet.photos_waiting > 0 {
                Heard::Waiting
            } else {
                Heard::NothingWaiting
            }
        }
        _ => Heard::Silent,
    }
}

/// Puts the board together. `photos_away` says for a job how many of its photos are not in the trailer.
pub fn board(
    jobs: &[JobView],
    tablets: &[TabletState],
    here: &InTrailer,
    plan: &SitePlan,
    photos_away: &dyn Fn(&JobView) -> usize,
    now_ms: i64,
) -> BoardView {
    let mut tablets: Vec<TabletOnBoard> =
        tablets.iter().map(|t| TabletOnBoard { heard: heard(t, plan.silent_after_min, now_ms), tablet: t.clone() }).collect();
    tablets.sort_by(|a, b| a.tablet.name.cmp(&b.tablet.name));
    let silent: Vec<&str> = tablets.iter().filter(|t| t.heard == Heard::Silent).map(|t| t.tablet.name.as_str()).collect();
    let mut on_board: Vec<JobOnBoard> = jobs.iter().map(|j| job_on_board(j, &silent, photos_away(j))).collect();
    let section_order = |id: &str| plan.sections.iter().position(|s| s.id == id).unwrap_or(usize::MAX);
    on_board.sort_by_key(|j| (section_order(&j.section), j.tube, j.number.clone()));
    let counts = counts(&on_board, &tablets, here);
    let all_good = counts.jobs > 0 && counts.full == counts.jobs && counts.photos_away == 0 && counts.silent + counts.waiting == 0;
    let ready = all_good && !tablets.is_empty() && counts.apart + counts.unread + counts.damaged == 0;
    let mut by_role: BTreeMap<String, usize> = BTreeMap::new();
    for w in on_board.iter().flat_map(|j| &j.wanted).filter(|w| w.what == "signature") {
        if let Some(role) = w.role {
            *by_role.entry(role.code().to_owned()).or_default() += 1;
        }
    }
    BoardView {
        plant: plan.plant.clone(),
        unit: plan.unit.clone(),
        outage: plan.outage.clone(),
        sentence: sentence(ready, &counts, &tablets, here),
        ready,
        counts,
        by_role,
        jobs: on_board,
        tablets,
        apart: here.apart.clone(),
        backup: here.backup.clone(),
        now_ms,
    }
}

fn job_on_board(job: &JobView, silent: &[&str], photos_away: usize) -> JobOnBoard {
    let two = job.fields.iter().filter(|(_, f)| f.state == FieldState::TwoAnswers);
    JobOnBoard {
        job: job.job.clone(),
        number: job.number.clone(),
        section: job.section.clone(),
        tube: job.tube,
        elevation: job.elevation.clone(),
        side: job.side.clone(),
        level: job.level,
        stands_at: job.stands_at,
        full: job.full,
        steps: job.steps.iter().map(|s| s.state).collect(),
        above_level: job.steps.iter().filter(|s| s.above_level).map(|s| s.step).collect(),
        shut: job.gates.iter().filter(|g| g.state == crate::view::GateState::Shut).map(|g| (g.gate.clone(), g.after_step)).collect(),
        wanted: job.wanted.clone(),
        two_answers: two.map(|(path, _)| path.clone()).collect(),
        opened_ms: job.opened.wall_ms,
        photos_away,
        silent_tablets: job.tablets.iter().filter(|t| silent.contains(&t.as_str())).cloned().collect(),
    }
}

fn counts(jobs: &[JobOnBoard], tablets: &[TabletOnBoard], here: &InTrailer) -> Counts {
    let wanted = |what: &[&str]| jobs.iter().flat_map(|j| &j.wanted).filter(|w| what.contains(&w.what.as_str())).count();
    Counts {
        jobs: jobs.len(),
        full: jobs.iter().filter(|j| j.full).count(),
        signatures: wanted(&["signature"]),
        two_answers: jobs.iter().map(|j| j.two_answers.len()).sum(),
        stale: wanted(&["stale"]),
        other: wanted(&["missing", "not-known", "reject", "passed-shut"]),
        photos_away: jobs.iter().map(|j| j.photos_away).sum(),
        silent: tablets.iter().filter(|t| t.heard == Heard::Silent).count(),
        waiting: tablets.iter().filter(|t| t.heard == Heard::Waiting).count(),
        apart: here.apart.iter().filter(|a| !a.looked).map(|a| a.n).sum(),
        unread: here.unread,
        damaged: here.damaged,
        taken_off: tablets.iter().filter(|t| t.heard == Heard::TakenOff).count(),
    }
}

fn count_say(code: &str, n: impl TryInto<u64>, one: &str, many: &str) -> Option<Say> {
    let n = n.try_into().unwrap_or(u64::MAX);
    (n > 0).then(|| Say::new(code, format!("{n} {}", if n == 1 { one } else { many })).with("n", n))
}

fn sentence(ready: bool, c: &Counts, tablets: &[TabletOnBoard], here: &InTrailer) -> Vec<Say> {
    let mut all = if ready {
        vec![Say::new("ready", "Ready as far as this board can know: every hold point is signed and every tablet was heard.")]
    } else {
        not_ready(c, tablets)
    };
    all.extend(here.apart_full.then(|| {
        Say::new("b-apart-full", "no more records that count for nothing are taken: there is no room for such; they stay on the tablets")
    }));
    all.extend(tablets.iter().filter(|t| t.heard == Heard::TakenOff).map(|t| taken_off(&t.tablet)));
    all.extend(here.backup.as_ref().filter(|b| b.late).map(|b| {
        Say::new("b-backup-late", "the trailer has no fresh backup")
            .with("since_ms", b.last_ms.map_or_else(String::new, |ms| ms.to_string()))
    }));
    all
}

/// Said in any case: ready means without that tablet.
fn taken_off(t: &TabletState) -> Say {
    let to = t.counts_to.unwrap_or(0);
    let mut words = format!("tablet {} was taken off: its records count to entry {to}", t.name);
    if t.apart > 0 {
        words += &format!(", {} later ones are kept apart", t.apart);
    }
    if t.entries_waiting + t.photos_waiting > 0 {
        words += &format!("; when last heard it still held {} records and {} photos", t.entries_waiting, t.photos_waiting);
    }
    let say = Say::new("b-taken-off", words).with("tablet", &t.name).with("to", to).with("apart", t.apart);
    say.with("entries", t.entries_waiting).with("photos", t.photos_waiting)
}

fn not_ready(c: &Counts, tablets: &[TabletOnBoard]) -> Vec<Say> {
    let mut all = vec![Say::new("not-ready", "NOT READY")];
    all.extend(count_say("b-signatures", c.signatures, "signature missing", "signatures missing"));
    all.extend(count_say("b-two-answers", c.two_answers, "place with two answers", "places with two answers"));
    all.extend(count_say("b-stale", c.stale, "stale signature", "stale signatures"));
    all.extend(count_say("b-other", c.other, "other thing wanted", "other things wanted"));
    all.extend(count_say("b-photos", c.photos_away, "photo still only on a tablet", "photos still only on a tablet"));
    let apart = ("record kept apart that nobody has looked at", "records kept apart that nobody has looked at");
    all.extend(count_say("b-apart", c.apart, apart.0, apart.1));
    let unread = ("record that this program cannot read", "records that this program cannot read");
    all.extend(count_say("b-unread", c.unread, unread.0, unread.1));
    all.extend(count_say("b-damaged", c.damaged, "damaged record", "damaged records"));
    for t in tablets {
        match t.heard {
            Heard::Silent => all.push(
                Say::new("b-silent", format!("tablet {} is silent", t.tablet.name))
                    .with("tablet", &t.tablet.name)
                    .with("since_ms", t.tablet.heard_ms.map_or_else(String::new, |ms| ms.to_string())),
            ),
            Heard::Waiting => all.push(
                Say::new("b-waiting", format!("tablet {} still holds records or photos", t.tablet.name)).with("tablet", &t.tablet.name),
            ),
            Heard::NothingWaiting | Heard::TakenOff => {}
        }
    }
    if c.jobs == 0 {
        all.push(Say::new("b-no-jobs", "no job has been recorded"));
    }
    if tablets.is_empty() {
        all.push(Say::new("b-no-tablets", "no tablet is paired"));
    }
    all
}
