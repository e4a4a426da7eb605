//! The site's plan: unit, sections, people, hold points, checks, procedures. Written by the server as an entry
//! (kind `site-plan`, subject `site/plan`), so that it reaches the tablets like everything else.

use journal::{PersonId, SiteId};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use trade::{Measure, Unit};

/// Words in both languages.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Words {
    /// English.
    pub en: String,
    /// Spanish.
    pub es: String,
}

/// What a person may sign as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Helper or apprentice.
    Helper,
    /// Certified welder.
    Welder,
    /// Foreman or supervisor.
    Supervisor,
    /// QC inspector.
    Qc,
    /// The owner's engineer.
    Engineer,
    /// Authorised inspector.
    Inspector,
    /// The owner's operations.
    Operations,
}

impl Role {
    /// The stored code.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Helper => "helper",
            Self::Welder => "welder",
            Self::Supervisor => "supervisor",
            Self::Qc => "qc",
            Self::Engineer => "engineer",
            Self::Inspector => "inspector",
            Self::Operations => "operations",
        }
    }

    /// English words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Helper => "helper",
            Self::Welder => "welder",
            Self::Supervisor => "supervisor",
            Self::Qc => "QC inspector",
            Self::Engineer => "owner's engineer",
            Self::Inspector => "authorised inspector",
            Self::Operations => "operations",
        }
    }
}

/// A person of the roster.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Person {
    /// Identifier, e.g. `ana-r`.
    pub id: PersonId,
    /// Name as shown, e.g. `Ana R.`
    pub name: String,
    /// What they may sign as.
    pub roles: Vec<Role>,
    /// Preferred language, `en` or `es`.
    pub lang: String,
    /// Welder's stamp, where they have one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stamp: Option<String>,
    /// Argon2id hash of the PIN, PHC string.
    pub pin: String,
}

/// From which end tubes are counted, in the view the section is seen in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// Left end.
    Left,
    /// Right end.
    Right,
}

/// From where the section is looked at when counting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// From inside the furnace.
    Inside,
    /// From outside.
    Outside,
}

/// Something by which one finds oneself on the wall.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Landmark {
    /// Name, e.g. `wall blower 12`.
    pub name: String,
    /// Tube number at its middle, where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tube: Option<u32>,
    /// Elevation.
    pub elevation: Measure,
    /// True for a platform.
    #[serde(default)]
    pub platform: bool,
}

/// The specification of a section's tubes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TubeSpec {
    /// Outside diameter.
    pub od: Measure,
    /// Specified minimum wall as ordered.
    pub wall: Measure,
    /// Material specification and grade, e.g. `SA-210 A-1`.
    pub grade: String,
    /// Maximum allowable working pressure, gauge.
    pub design_pressure: Measure,
    /// Design metal temperature.
    pub metal_temperature: Measure,
    /// Allowable stress at that temperature.
    pub allowable: Measure,
    /// Where the allowable stress comes from, with its edition.
    pub allowable_source: String,
    /// True where the tube ends are expanded, not strength-welded (PG-27.4 term e).
    #[serde(default)]
    pub expanded: bool,
}

/// One section of the unit, e.g. the front waterwall.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Section {
    /// Identifier, e.g. `front-wall`.
    pub id: String,
    /// Name.
    pub name: Words,
    /// Short name for the board, e.g. `FW`.
    pub short: String,
    /// How many tubes (or elements) are counted.
    pub tubes: u32,
    /// How many rows or elements deep; 1 for a plain wall.
    pub rows: u32,
    /// The end where tube 1 is, in `seen_from`.
    pub count_from: End,
    /// From where left and right are meant.
    pub seen_from: Side,
    /// True where the corner tube is counted in both walls.
    pub corner_shared: bool,
    /// What stands at the start end, e.g. `corner with the left wall`.
    pub start: Words,
    /// What stands at the other end.
    pub other_end: Words,
    /// Unit elevations are read in.
    pub elevation_unit: Unit,
    /// Lowest elevation of the section.
    pub low: Measure,
    /// Highest elevation of the section.
    pub high: Measure,
    /// How a clock position is read, e.g. `12 is the crown towards the fire`.
    pub clock: Words,
    /// Landmarks and platforms.
    pub landmarks: Vec<Landmark>,
    /// The tubes.
    pub tube: TubeSpec,
}

/// A step past which nobody goes before the roles have signed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HoldPoint {
    /// Identifier, e.g. `place`.
    pub id: String,
    /// The step (1 to 12) whose upper edge it stands on.
    pub after_step: u8,
    /// Name.
    pub name: Words,
    /// What is signed, word for word.
    pub statement: Words,
    /// One signature of each is needed.
    pub roles: Vec<Role>,
    /// The steps whose content the signature covers.
    pub covers: Vec<u8>,
}

/// One before-work check.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Check {
    /// Identifier, e.g. `isolation`.
    pub id: String,
    /// What is checked.
    pub name: Words,
    /// What the person answers with: what they see (lock number, gas figures), never a bare tick.
    pub answer: Words,
    /// The usual caution.
    pub caution: Words,
    /// Where the caution comes from.
    pub source: String,
}

/// A welding procedure as far as this log needs it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Procedure {
    /// Number of the welding procedure specification.
    pub id: String,
    /// Least root opening.
    pub root_min: Measure,
    /// Intended root opening.
    pub root: Measure,
    /// Greatest root opening.
    pub root_max: Measure,
    /// Greatest misalignment of the insides.
    pub misalignment_max: Measure,
    /// Land.
    pub land: Measure,
    /// Bevel angle of each side in whole tenths of a degree.
    pub bevel_tenths: u32,
    /// Filler classes it allows.
    pub fillers: Vec<String>,
}

/// The whole plan of one outage.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SitePlan {
    /// The site.
    pub site: SiteId,
    /// Name of the plant.
    pub plant: String,
    /// Name of the unit.
    pub unit: String,
    /// Name of the outage.
    pub outage: String,
    /// The code of record, as the owner states it.
    pub code_of_record: String,
    /// After how many minutes without word a tablet counts as silent.
    pub silent_after_min: u32,
    /// Sections of the unit.
    pub sections: Vec<Section>,
    /// The roster.
    pub people: Vec<Person>,
    /// Hold points in the order of their steps.
    pub hold_points: Vec<HoldPoint>,
    /// Before-work checks of each job.
    pub checks: Vec<Check>,
    /// Welding procedures.
    pub procedures: Vec<Procedure>,
}

impl SitePlan {
    /// The section with this identifier.
    pub fn section(&self, id: &str) -> Option<&Section> {
        self.sections.iter().find(|s| s.id == id)
    }

    /// The person with this identifier.
    pub fn person(&self, id: &PersonId) -> Option<&Person> {
        self.people.iter().find(|p| &p.id == id)
    }

    /// The procedure with this number.
    pub fn procedure(&self, id: &str) -> Option<&Procedure> {
        self.procedures.iter().find(|p| p.id == id)
    }

    /// The hold point with this identifier.
    pub fn hold_point(&self, id: &str) -> Option<&HoldPoint> {
        self.hold_points.iter().find(|h| h.id == id)
    }

    /// Everything in the plan that cannot work, in words; empty for a good one. `standing` is the plan it is to replace.
    pub fn faults(&self, standing: Option<&Self>) -> Vec<String> {
        faults(self, standing)
    }
}

fn faults(plan: &SitePlan, standing: Option<&SitePlan>) -> Vec<String> {
    let mut wrong = Vec::new();
    if let Some(old) = standing.filter(|old| old.site != plan.site) {
        wrong.push(format!("It is for another site ({}), this folder belongs to {}: use another --data folder.", plan.site, old.site));
    }
    unique("section", plan.sections.iter().map(|s| s.id.as_str()), &mut wrong);
    unique("person", plan.people.iter().map(|p| p.id.0.as_str()), &mut wrong);
    unique("hold point", plan.hold_points.iter().map(|h| h.id.as_str()), &mut wrong);
    unique("check", plan.checks.iter().map(|c| c.id.as_str()), &mut wrong);
    unique("procedure", plan.procedures.iter().map(|p| p.id.as_str()), &mut wrong);
    for section in &plan.sections {
        if section.tubes == 0 || section.rows == 0 {
            wrong.push(format!("Section {} has no tubes.", section.id));
        }
        if section.low.base().zip(section.high.base()).is_none_or(|(low, high)| low >= high) {
            wrong.push(format!("Section {} does not reach from a low to a high elevation.", section.id));
        }
        if section.landmarks.iter().any(|l| l.tube.is_some_and(|t| t == 0 || t > section.tubes)) {
            wrong.push(format!("A landmark of section {} stands at a tube that the section does not have.", section.id));
        }
    }
    for point in &plan.hold_points {
        if !(1..=12).contains(&point.after_step) || point.covers.iter().any(|s| !(1..=12).contains(s)) || point.covers.is_empty() {
            wrong.push(format!("Hold point {} names a step outside 1 to 12, or none.", point.id));
        }
        for role in &point.roles {
            if !plan.people.iter().any(|p| p.roles.contains(role)) {
                wrong.push(format!("Hold point {} asks for a {}, and nobody on the roster is one.", point.id, role.words()));
            }
        }
        if point.roles.is_empty() {
            wrong.push(format!("Hold point {} asks for nobody's signature.", point.id));
        }
    }
    let pins = plan
        .people
        .iter()
        .filter(|p| !crate::pin::is_usable(&p.pin))
        .map(|p| format!("The PIN of {} is not a hash this program can check.", p.id));
    wrong.extend(pins);
    wrong
}

fn unique<'a>(what: &str, ids: impl Iterator<Item = &'a str>, wrong: &mut Vec<String>) {
    let mut seen = BTreeSet::new();
    for id in ids {
        let fits = !id.is_empty() && id.len() <= 64 && id.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
        // Procedures carry the number that stands on the paper.
        if !fits && what != "procedure" {
            wrong.push(format!("The {what} id {id:?} may hold a to z, 0 to 9 and - only."));
        }
        if !seen.insert(id) {
            wrong.push(format!("The {what} id {id} stands there twice."));
        }
    }
    if seen.is_empty() {
        wrong.push(format!("There is no {what} in it."));
    }
}
