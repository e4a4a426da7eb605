//! What may be saved: bad input is refused with a sentence, unlikely input is asked about once more. Nothing already
//! entered is touched by a refusal.

use crate::kinds::{
    CheckDone, Failure, Filler, FitUp, Gap, Gauge, HandOver, Material, Note, Open, Photo, Piece, Place, Plan, PressureTest, ProcedureUsed,
    Reading, SecondCount, Sign, Visual, Weld,
};
use crate::plan::{Section, SitePlan};
use crate::say::Say;
use crate::view::JobView;
use serde::de::DeserializeOwned;
use serde_json::Value as Json;
use trade::limits::Plausible;
use trade::{Measure, Ratio, Unit};

/// Longest free text, in characters.
pub const LONGEST_TEXT: usize = 2_000;
/// Longest short text (heat number, stamp), in characters.
const LONGEST_NAME: usize = 64;

/// What a check needs to know beside the body.
pub struct CheckContext<'a> {
    /// The site's plan.
    pub plan: &'a SitePlan,
    /// The section of the job (for a new job: the one chosen).
    pub section: &'a Section,
    /// The job as it stands, where there is one.
    pub view: Option<&'a JobView>,
    /// The field below the job, e.g. `gap/6`.
    pub field: &'a str,
}

/// True where a body of this kind can be read by this program.
pub fn parses(kind: &str, body: &Json) -> bool {
    fn is<T: DeserializeOwned>(body: &Json) -> bool {
        serde_json::from_value::<T>(body.clone()).is_ok()
    }
    match kind {
        "open" => is::<Open>(body),
        "place" => is::<Place>(body),
        "second-count" => is::<SecondCount>(body),
        "failure" => is::<Failure>(body),
        "photo" => is::<Photo>(body),
        "gauge" => is::<Gauge>(body),
        "reading" => is::<Reading>(body),
        "plan" => is::<Plan>(body),
        "check" => is::<CheckDone>(body),
        "material" => is::<Material>(body),
        "filler" => is::<Filler>(body),
        "procedure" => is::<ProcedureUsed>(body),
        "gap" => is::<Gap>(body),
        "piece" => is::<Piece>(body),
        "fit-up" => is::<FitUp>(body),
        "weld" => is::<Weld>(body),
        "visual" => is::<Visual>(body),
        "pressure-test" => is::<PressureTest>(body),
        "hand-over" => is::<HandOver>(body),
        "note" => is::<Note>(body),
        "sign" => is::<Sign>(body),
        _ => false,
    }
}

/// Checks a body before it is saved and gives it back as it is to be stored: every measure is read anew from what was
/// typed, so that the figure and its text can't disagree.
///
/// # Errors
/// All faults found, each a sentence. A fault whose code begins with `ask-` means: read once more; the same value sent
/// again with `read_twice: true` is taken and marked so.
pub fn body(kind: &str, raw: &Json, ctx: &CheckContext<'_>) -> Result<Json, Vec<Say>> {
    let clean = measures(raw).map_err(|say| vec![say])?;
    texts(&clean).map_err(|say| vec![say])?;
    let mut f = Faults { all: Vec::new(), read_twice: clean.get("read_twice").and_then(Json::as_bool) == Some(true) };
    match kind {
        "place" => with(&clean, &mut f, |b: &Place, f| place(b, ctx, f)),
        "second-count" => with(&clean, &mut f, |b: &SecondCount, f| tube(b.tube, ctx.section, f)),
        "failure" => with(&clean, &mut f, failure),
        "gauge" => with(&clean, &mut f, |b: &Gauge, f| gauge(b, f)),
        "reading" => with(&clean, &mut f, |b: &Reading, f| reading(b, ctx, f)),
        "plan" => with(&clean, &mut f, |b: &Plan, f| plan(b, ctx, f)),
        "check" => with(&clean, &mut f, |b: &CheckDone, f| check_done(b, ctx, f)),
        "material" => with(&clean, &mut f, material),
        "filler" => with(&clean, &mut f, |b: &Filler, f| f.name("class", &b.class).name("lot", &b.lot).end()),
        "procedure" => with(&clean, &mut f, |b: &ProcedureUsed, f| procedure(b, ctx, f)),
        "gap" => with(&clean, &mut f, |b: &Gap, f| gap(b, ctx, f)),
        "piece" => with(&clean, &mut f, |b: &Piece, f| piece(b, ctx, f)),
        "fit-up" => with(&clean, &mut f, |b: &FitUp, f| fit_up(b, ctx, f)),
        "weld" => with(&clean, &mut f, |b: &Weld, f| weld(b, ctx, f)),
        "visual" => with(&clean, &mut f, |b: &Visual, f| {
            f.one_of("result", &b.result, &["accept", "reject"]).words("saw", &b.saw).end();
        }),
        "pressure-test" => with(&clean, &mut f, |b: &PressureTest, f| pressure_test(b, ctx, f)),
        "hand-over" => with(&clean, &mut f, |b: &HandOver, f| f.words("note", &b.note).end()),
        "note" => with(&clean, &mut f, |b: &Note, f| f.words("text", &b.text).end()),
        _ => f.all.push(Say::new("unknown-kind", "This program cannot record that. Nothing was changed.")),
    }
    if f.all.is_empty() { Ok(clean) } else { Err(f.all) }
}

fn with<T: DeserializeOwned>(clean: &Json, f: &mut Faults, check: impl FnOnce(&T, &mut Faults)) {
    match serde_json::from_value::<T>(clean.clone()) {
        Ok(body) => check(&body, f),
        Err(e) => f.all.push(
            Say::new("incomplete", format!("Something is missing or not of the right kind ({e}). Nothing was changed.")).with("what", e),
        ),
    }
}

/// Reads every measure of a body anew from its typed text.
fn measures(json: &Json) -> Result<Json, Say> {
    match json {
        Json::Object(map) if map.contains_key("typed") && map.contains_key("unit") => {
            let typed = map.get("typed").and_then(Json::as_str).unwrap_or_default();
            let unit: Unit = map.get("unit").cloned().and_then(|u| serde_json::from_value(u).ok()).ok_or_else(|| {
                let unit = map.get("unit").map(ToString::to_string).unwrap_or_default();
                Say::new("wrong-unit", format!("{unit} is not a unit this field can take. Nothing was changed.")).with("unit", unit)
            })?;
            let mark = match map.get("mark") {
                None | Some(Json::Null) => None,
                Some(m) => Some(read_mark(m).ok_or_else(|| Say::new("bad-mark", "The instrument's mark is not a fraction."))?),
            };
            let measure = Measure::parse(typed, unit, mark)
                .map_err(|e| Say::new("not-a-figure", format!("{e}. Nothing was changed.")).with("typed", typed))?;
            serde_json::to_value(measure).map_err(|e| Say::new("not-a-figure", e.to_string()))
        }
        Json::Object(map) => Ok(Json::Object(map.iter().map(|(k, v)| Ok((k.clone(), measures(v)?))).collect::<Result<_, Say>>()?)),
        Json::Array(items) => Ok(Json::Array(items.iter().map(measures).collect::<Result<_, Say>>()?)),
        other => Ok(other.clone()),
    }
}

/// A mark as `[1, 16]` or as text `1/16`.
fn read_mark(json: &Json) -> Option<Ratio> {
    match json {
        Json::String(text) => Some(Measure::parse(text, Unit::Inch, None).ok()?.value),
        other => serde_json::from_value(other.clone()).ok(),
    }
}

/// No text of absurd length gets into the journal.
fn texts(json: &Json) -> Result<(), Say> {
    match json {
        Json::String(s) if s.chars().count() > LONGEST_TEXT => {
            Err(Say::new("text-too-long", format!("That text is longer than {LONGEST_TEXT} characters. Shorten it; nothing was changed.")))
        }
        Json::Object(map) => map.values().try_for_each(texts),
        Json::Array(items) => items.iter().try_for_each(texts),
        _ => Ok(()),
    }
}

struct Faults {
    all: Vec<Say>,
    read_twice: bool,
}

impl Faults {
    fn push(&mut self, code: &str, words: impl Into<String>) -> &mut Self {
        self.all.push(Say::new(code, words));
        self
    }

    fn name(&mut self, what: &str, text: &str) -> &mut Self {
        if text.trim().is_empty() {
            let say = Say::new("empty", format!("The {what} is missing. Nothing was changed.")).with("what", what);
            self.all.push(say);
        } else if text.chars().count() > LONGEST_NAME {
            let say = Say::new("too-long", format!("The {what} is longer than {LONGEST_NAME} characters.")).with("what", what);
            self.all.push(say);
        }
        self
    }

    fn words(&mut self, what: &str, text: &str) -> &mut Self {
        if text.trim().is_empty() {
            let say = Say::new("empty", format!("The {what} is missing. Nothing was changed.")).with("what", what);
            self.all.push(say);
        }
        self
    }

    fn one_of(&mut self, what: &str, value: &str, allowed: &[&str]) -> &mut Self {
        if !allowed.contains(&value) {
            let say = Say::new("not-chosen", format!("Choose one for {what}: {}.", allowed.join(", "))).with("what", what);
            self.all.push(say);
        }
        self
    }

    fn plausible(&mut self, p: Plausible) -> &mut Self {
        match p {
            Plausible::Refuse(code, words) => self.all.push(Say::new(&code, words)),
            Plausible::Ask(code, words) if !self.read_twice => {
                let code = if code.starts_with("ask-") { code } else { format!("ask-{code}") };
                self.all.push(Say::new(&code, words));
            }
            Plausible::Ask(..) | Plausible::Fine => {}
        }
        self
    }

    fn stamp(&mut self, stamp: &str, plan: &SitePlan) -> &mut Self {
        if !plan.people.iter().any(|p| p.stamp.as_deref() == Some(stamp)) {
            let say = Say::new("unknown-stamp", format!("No welder of this outage has the stamp “{stamp}”. Nothing was changed."))
                .with("stamp", stamp);
            self.all.push(say);
        }
        self
    }

    /// Ends a chain.
    #[expect(clippy::unused_self, reason = "ends a chain of checks as a statement")]
    fn end(&mut self) {}
}

fn tube(tube: u32, section: &Section, f: &mut Faults) {
    if tube == 0 || tube > section.tubes {
        f.all.push(
            Say::new(
                "tube-outside",
                format!("Tube {tube} is not in this section: it has tubes 1 to {}. Nothing was changed.", section.tubes),
            )
            .with("tube", tube)
            .with("tubes", section.tubes),
        );
    }
}

fn place(b: &Place, ctx: &CheckContext<'_>, f: &mut Faults) {
    let Some(section) = ctx.plan.section(&b.section) else {
        f.push("section-unknown", "That section is not in the plan of this outage. Nothing was changed.");
        return;
    };
    tube(b.tube, section, f);
    if b.row == 0 || b.row > section.rows {
        let say = Say::new("row-outside", format!("Row or element {} is not in this section: it has 1 to {}.", b.row, section.rows))
            .with("rows", section.rows);
        f.all.push(say);
    }
    f.one_of("side", &b.side, &["fire", "cold"]);
    f.plausible(trade::limits::elevation(&b.elevation, &section.low, &section.high));
}

fn failure(b: &Failure, f: &mut Faults) {
    f.one_of("opening", &b.opening, &["rupture", "perforation", "crack", "thinning", "none-seen"]);
    f.one_of("first", &b.first, &["leaked-first", "struck", "not-sure"]);
    if b.signs.len() > 32 || b.signs.iter().any(|s| s.is_empty() || s.len() > LONGEST_NAME) {
        f.push("too-many-signs", "Those signs cannot be kept.");
    }
}

fn gauge(b: &Gauge, f: &mut Faults) {
    f.name("gauge", &b.gauge).name("block", &b.block).plausible(trade::limits::temperature_surface(&b.surface));
    if b.steps.len() < 2 || b.steps.len() > 10 {
        f.push("block-two-steps", "Read the gauge on at least two steps of the block: one thinner and one thicker than the tube.");
    }
    for step in &b.steps {
        f.plausible(trade::limits::block_step(&step.nominal)).plausible(trade::limits::block_step(&step.read));
    }
}

fn reading(b: &Reading, ctx: &CheckContext<'_>, f: &mut Faults) {
    if !(1..=12).contains(&b.clock) {
        f.push("clock-outside", "A clock position is 1 to 12. Nothing was changed.");
    }
    f.name("gauge", &b.gauge)
        .plausible(trade::limits::elevation(&b.elevation, &ctx.section.low, &ctx.section.high))
        .plausible(trade::limits::wall_reading(&b.wall, &ctx.section.tube.wall));
}

fn plan(b: &Plan, ctx: &CheckContext<'_>, f: &mut Faults) {
    f.one_of("method", &b.method, &["dutchman", "window", "pad", "plug"]).words("why", &b.why);
    for cut in [&b.upper_cut, &b.lower_cut].into_iter().flatten() {
        f.plausible(trade::limits::elevation(cut, &ctx.section.low, &ctx.section.high));
    }
    if let (Some(upper), Some(lower)) = (&b.upper_cut, &b.lower_cut)
        && upper.base() <= lower.base()
    {
        f.push("cuts-swapped", "The upper cut is not above the lower cut: look at both again. Nothing was changed.");
    }
}

fn check_done(b: &CheckDone, ctx: &CheckContext<'_>, f: &mut Faults) {
    if !ctx.plan.checks.iter().any(|c| c.id == b.check) || ctx.field != format!("before-work/{}", b.check) {
        f.push("check-unknown", "That check is not in the plan of this outage. Nothing was changed.");
    }
    f.words("what was seen", &b.saw).one_of("result", &b.result, &["good", "not-good"]);
}

fn material(b: &Material, f: &mut Faults) {
    f.name("grade", &b.grade).name("heat number", &b.heat).name("certificate", &b.certificate);
    f.one_of("pmi", &b.pmi, &["agrees", "differs", "not-known"]);
    f.plausible(trade::limits::outside_diameter(&b.od)).plausible(trade::limits::tube_wall(&b.wall, &b.od));
}

fn procedure(b: &ProcedureUsed, ctx: &CheckContext<'_>, f: &mut Faults) {
    if ctx.plan.procedure(&b.procedure).is_none() {
        f.push("procedure-unknown", "That procedure is not in the plan of this outage. Nothing was changed.");
    }
}

fn gap(b: &Gap, ctx: &CheckContext<'_>, f: &mut Faults) {
    f.plausible(trade::limits::gap_value(&b.gap));
    let clock = ctx.field.strip_prefix("gap/").unwrap_or_default();
    if !crate::kinds::GAP_CLOCKS.contains(&clock) {
        f.push("clock-outside", "The gap is measured at 12, 3, 6 and 9 o'clock.");
        return;
    }
    let others = ctx.view.and_then(|v| v.sums.cut.as_ref()).map(|c| c.gaps.clone()).unwrap_or_default();
    let mut gaps: Vec<(String, Measure)> = others.into_iter().filter(|(c, _)| c != clock).collect();
    gaps.push((clock.to_owned(), b.gap.clone()));
    f.plausible(trade::limits::gap_set(&gaps));
}

fn piece(b: &Piece, ctx: &CheckContext<'_>, f: &mut Faults) {
    f.plausible(trade::limits::piece_value(&b.length, &[]));
    // A piece that is not shorter than a gap cannot go in: it is measured once more.
    let cut = ctx.view.and_then(|v| v.sums.cut.as_ref());
    let least = cut.and_then(|c| c.gaps.values().min_by_key(|m| m.base()));
    if let Some(least) = least
        && b.length.base() >= least.base()
        && !f.read_twice
    {
        let (piece, gap) = (crate::say::text(&b.length), crate::say::text(least));
        let say = Say::new("ask-piece-too-long", format!("{piece} is not shorter than the least gap, {gap}. Measure the piece once more."))
            .with("piece", piece)
            .with("gap", gap);
        f.all.push(say);
    }
}

fn joint_of<'a>(ctx: &CheckContext<'a>, f: &mut Faults) -> Option<&'a str> {
    let joint = ctx.field.strip_prefix("joint/")?.split('/').next()?;
    if !["upper", "lower", "patch"].contains(&joint) {
        f.push("joint-unknown", "A joint is the upper one, the lower one or the patch.");
    }
    Some(joint)
}

fn fit_up(b: &FitUp, ctx: &CheckContext<'_>, f: &mut Faults) {
    joint_of(ctx, f);
    f.plausible(trade::limits::root_opening(&b.root)).plausible(trade::limits::misalignment(&b.misalignment)).stamp(&b.stamp, ctx.plan);
}

fn weld(b: &Weld, ctx: &CheckContext<'_>, f: &mut Faults) {
    joint_of(ctx, f);
    f.one_of("pass", &b.pass, &["tack", "root", "fill", "cap"])
        .one_of("process", &b.process, &["GTAW", "SMAW"])
        .name("filler lot", &b.lot)
        .stamp(&b.stamp, ctx.plan);
}

fn pressure_test(b: &PressureTest, ctx: &CheckContext<'_>, f: &mut Faults) {
    f.plausible(trade::limits::pressure_test(&b.pressure, &ctx.section.tube.design_pressure))
        .plausible(trade::limits::water_temperature(&b.water))
        .name("gauge", &b.gauge)
        .one_of("result", &b.result, &["tight", "leak"]);
    f.plausible(trade::limits::test_hold(b.hold_min));
    if b.result == "leak" {
        f.words("where it leaked", &b.saw);
    }
}
