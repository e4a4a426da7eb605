//! What a supervisor or the QC inspector says of series: a tablet is taken off, a series is taken in, cut off or let in
//! further. Each is a statement in the server's own series, with who said it and why, and replaces those it names.

use crate::fault::Fault;
use crate::series::{How, SeriesOnBoard};
use crate::standing::draft;
use crate::state::App;
use crate::tablets::fits;
use crate::trailer::{Trailer, store_fault};
use crate::web::Js;
use axum::extract::State;
use axum::{Extension, Json};
use job::plan::Person;
use job::standing::{SeriesRole, Standing};
use journal::{DeviceId, Draft, EntryHash, Incarnation};
use serde::{Deserialize, Deserializer};
use serde_json::{Value as AnyJson, json};
use std::collections::BTreeSet;

const LONGEST_REASON: usize = 2_000;

/// Which tablet is taken off, and why.
#[derive(Deserialize)]
pub struct TakeOff {
    device: DeviceId,
    /// Only this series of it; all of them where it is not said.
    #[serde(default)]
    incarnation: Option<Incarnation>,
    reason: String,
}

/// What is said of a series.
#[derive(Deserialize)]
pub struct Say {
    incarnation: Incarnation,
    /// Entries up to this one count; `null`: all. Never left out: nothing is taken in by forgetting a word.
    #[serde(deserialize_with = "told")]
    to: Option<u64>,
    reason: String,
    /// The statements that stood on the screen.
    said: Vec<EntryHash>,
    /// Name of its device, where it needs another.
    #[serde(default)]
    name: Option<String>,
}

fn told<'de, D: Deserializer<'de>>(d: D) -> Result<Option<u64>, D::Error> {
    Option::deserialize(d)
}

/// `POST /api/board/tablet/take-off`: cuts every series of a tablet where the trailer's copy ends. From then on the tablet
/// may not sync; what it holds is not thrown away but kept apart when it comes some other way.
///
/// # Errors
/// 400 without a reason, 404 for an unknown tablet, 409 where it is off already.
pub async fn take_off(
    State(app): State<App>,
    Extension(person): Extension<Person>,
    Js(given): Js<TakeOff>,
) -> Result<Json<AnyJson>, Fault> {
    app.with(move |t| {
        let reason = reason(&given.reason)?;
        let cuts = t.cuts(&given)?;
        let drafts = cuts.iter().map(|c| draft(&c.series, &c.says(&reason), c.said.clone())).collect::<Result<Vec<_>, _>>()?;
        if drafts.is_empty() {
            return Err(Fault::new(409, "already-off", "This tablet was taken off before. Nothing was changed. Look at the board again."));
        }
        t.state(&person.id, drafts)?;
        crate::log(&format!("tablet {} was taken off by {}", given.device, person.id));
        let series = t.series()?;
        let off: BTreeSet<String> = cuts.iter().map(|c| c.series.to_hex()).collect();
        let tablets: Vec<_> = t.tablet_states(&series)?.into_iter().filter(|t| off.contains(&t.incarnation)).collect();
        let series: Vec<_> = series.into_iter().filter(|s| off.contains(&s.incarnation.to_hex())).collect();
        Ok(json!({ "series": series, "tablets": tablets }))
    })
    .await
    .map(Json)
}

/// A series that is to end.
struct Cut {
    series: Incarnation,
    name: String,
    to: u64,
    said: Vec<EntryHash>,
}

impl Cut {
    fn says(&self, reason: &str) -> Standing {
        Standing { role: SeriesRole::Tablet, name: self.name.clone(), to: Some(self.to), reason: reason.to_owned() }
    }
}

impl Trailer {
    /// Where each series of a tablet is to end: where the trailer's copy does, never further than it counted before; at
    /// nothing where nobody ever took it in.
    fn cuts(&self, given: &TakeOff) -> Result<Vec<Cut>, Fault> {
        let rows = self.series()?;
        let meant = |series: &Incarnation, device: DeviceId| device == given.device && given.incarnation.is_none_or(|i| i == *series);
        let ours = |s: &&SeriesOnBoard| meant(&s.incarnation, s.device) && s.standing != How::Own && s.role != SeriesRole::Server.code();
        let here: Vec<&SeriesOnBoard> = rows.iter().filter(ours).collect();
        let paired: Vec<_> = self.tablets().all().iter().filter(|p| meant(&p.series(), p.device)).collect();
        if here.is_empty() && paired.is_empty() {
            return Err(Fault::new(404, "no-tablet", "The trailer knows no such tablet. Nothing was changed. Look at the board again."));
        }
        let mut cuts = Vec::new();
        for row in &here {
            let counted = row.counts_to.unwrap_or(u64::MAX);
            let to = if row.standing == How::Unknown { 0 } else { row.head.min(counted) };
            if to < counted || row.standing == How::Unknown {
                cuts.push(Cut { series: row.incarnation, name: row.name.clone(), to, said: row.said.clone() });
            }
        }
        // Paired, and nothing of it has come yet.
        for tablet in paired.iter().filter(|p| here.iter().all(|s| s.incarnation != p.series())) {
            let verdict = self.verdict(&tablet.series())?;
            if verdict.as_ref().is_none_or(|v| v.counts_to > 0) {
                let said = verdict.map(|v| v.said).unwrap_or_default();
                cuts.push(Cut { series: tablet.series(), name: tablet.name.clone(), to: 0, said });
            }
        }
        Ok(cuts)
    }
}

/// `POST /api/board/series`: says up to where a series counts. Saying the same again says that what is kept apart of it was
/// looked at and stays so.
///
/// # Errors
/// 400 without a reason or for a place within a transaction, 404 for an unknown series, 409 where the statements that stand
/// are no longer those on the screen.
pub async fn series(State(app): State<App>, Extension(person): Extension<Person>, Js(given): Js<Say>) -> Result<Json<AnyJson>, Fault> {
    app.with(move |t| {
        let draft = t.judge_say(&given)?;
        // What was on the screen is what was looked at, not what comes by this.
        let row = t.row(&given.incarnation)?;
        t.state(&person.id, vec![draft])?;
        t.look(&row)?;
        crate::log(&format!("series {}: {} says that it counts to {:?}", given.incarnation, person.id, given.to));
        Ok(json!({ "series": t.row(&given.incarnation)? }))
    })
    .await
    .map(Json)
}

impl Trailer {
    fn judge_say(&self, given: &Say) -> Result<Draft, Fault> {
        let reason = reason(&given.reason)?;
        let row = self.row(&given.incarnation)?;
        if row.standing == How::Own {
            return Err(Fault::new(
                409,
                "own-series",
                "That is a series of this trailer's own server: it always counts. Nothing was changed.",
            ));
        }
        let (seen, stand): (BTreeSet<_>, BTreeSet<_>) = (given.said.iter().collect(), row.said.iter().collect());
        if seen != stand {
            let fault = Fault::new(
                409,
                "stands-changed",
                "What is said of this series is no longer what was on your screen: somebody was quicker. Nothing was changed and nothing is lost. Look at what stands now, then say it again if it is still needed.",
            );
            return Err(fault.and("series", serde_json::to_value(&row).unwrap_or_default()));
        }
        self.check_end(&row, given.to)?;
        let name = self.name_for(&row, given.name.as_deref())?;
        let role = match self.verdict(&given.incarnation)? {
            Some(verdict) => verdict.role,
            // Whatever it claims: a server is believed only where its export was brought in with trust.
            None => SeriesRole::Tablet,
        };
        draft(&given.incarnation, &Standing { role, name, to: given.to, reason }, row.said)
    }

    /// A series ends where a transaction does: what was saved with one tap counts whole or not at all.
    fn check_end(&self, row: &SeriesOnBoard, to: Option<u64>) -> Result<(), Fault> {
        let Some(to) = to.filter(|to| *to > 0) else { return Ok(()) };
        if to > row.head {
            let words = format!(
                "The trailer holds {} entries of this series, so it cannot be said that {to} count. Nothing was changed. Choose an entry that is here.",
                row.head
            );
            return Err(Fault::new(400, "beyond-head", words).with("head", row.head));
        }
        let rest = self.store.read(&row.incarnation, to, 1).map_err(store_fault)?;
        let left = rest.first().map_or(0, |s| u64::from(s.entry.tx_left));
        if left == 0 {
            return Ok(());
        }
        let end = to.saturating_add(left);
        let words = format!(
            "Entry {to} was saved with one tap together with those up to {end}: they count all or not at all. Nothing was changed. Choose {end}, or an entry before that tap."
        );
        Err(Fault::new(400, "within-transaction", words).with("end", end))
    }

    /// The name under which its records will be shown: as said before, as asked for, or as it claims, made unlike all others.
    fn name_for(&self, row: &SeriesOnBoard, asked: Option<&str>) -> Result<String, Fault> {
        let rows = self.series()?;
        let taken = |name: &str| {
            let other =
                |s: &SeriesOnBoard| s.incarnation != row.incarnation && s.standing != How::Unknown && s.name.eq_ignore_ascii_case(name);
            let paired = self.tablets().all().iter().any(|p| p.series() != row.incarnation && p.name.eq_ignore_ascii_case(name));
            name.eq_ignore_ascii_case(crate::identity::NAME) || paired || rows.iter().any(other)
        };
        if let Some(asked) = asked.map(str::trim) {
            if fits(asked) && !taken(asked) {
                return Ok(asked.to_owned());
            }
            let words = "That name cannot be given: it is 1 to 12 letters, figures or dashes, and no other tablet of this site has it. Nothing was changed. Choose another name.";
            return Err(Fault::new(400, "bad-tablet-name", words).with("name", asked));
        }
        if row.standing != How::Unknown && !row.name.is_empty() {
            return Ok(row.name.clone());
        }
        let claimed: String = row.name.chars().filter(char::is_ascii_alphanumeric).take(8).collect();
        let claimed = if claimed.is_empty() { "X".to_owned() } else { claimed };
        if !taken(&claimed) {
            return Ok(claimed);
        }
        Ok(format!("{claimed}-{}", &row.incarnation.to_hex()[..3].to_uppercase()))
    }
}

fn reason(given: &str) -> Result<String, Fault> {
    let reason = given.trim();
    if reason.is_empty() || reason.len() > LONGEST_REASON {
        let words =
            format!("This needs a reason, at most {LONGEST_REASON} letters: it will be read for ever. Nothing was changed. Write why.");
        return Err(Fault::new(400, "reason-missing", words));
    }
    Ok(reason.to_owned())
}
