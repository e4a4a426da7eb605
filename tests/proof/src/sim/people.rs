//! What people do on a tablet or at the board: they see a screen, and write what builds on it.

use crate::sim::bodies;
use crate::sim::folds::PLAN;
use crate::sim::model::Photo;
use crate::sim::planted::Planted;
use crate::sim::rng::Rng;
use crate::sim::screen;
use crate::sim::world::{Sound, World, draft};
use job::plan::Role;
use job::view::FieldState;
use job::{JobView, signing};
use journal::{EntryHash, PersonId};
use serde_json::{Value as Json, json};
use std::collections::{BTreeMap, BTreeSet};

impl World {
    /// What the screen shows of a job; `None` where the job is not known there, or the disk does not say.
    pub fn screen(&mut self, n: usize, job: &str) -> Option<JobView> {
        let planted = self.way.planted;
        let shown = self.nodes[n].store.as_mut()?.job(job);
        self.nodes[n].drive.follow();
        shown.ok().flatten().map(|view| screen::show(view, planted))
    }

    /// Every machine's screens of every job, without times and hashes.
    pub fn shown_without_times(mut self) -> Vec<(String, String)> {
        let mut all = Vec::new();
        for n in 0..self.nodes.len() {
            for job in self.model.jobs.clone() {
                let Some(view) = self.screen(n, &job) else { continue };
                all.push((format!("{} {job}", self.nodes[n].name), crate::sim::masked::masked(&view, &self.model.acknowledged)));
            }
        }
        all
    }

    /// Any job that this machine knows, with its screen.
    fn any_job(&mut self, n: usize, rng: &mut Rng) -> Option<JobView> {
        // Few jobs are worked on at a time, so that people meet.
        let mut recent: Vec<String> = self.model.jobs.iter().rev().take(6).cloned().collect();
        rng.shuffle(&mut recent);
        let (job, view) = recent.into_iter().find_map(|job| self.screen(n, &job).map(|view| (job, view)))?;
        self.nodes[n].seen.entry(job).or_insert_with(|| view.clone());
        Some(view)
    }

    /// An order among entries that does not hang on their hashes, which hold the clock.
    fn placed(&self, mut all: Vec<EntryHash>) -> Vec<EntryHash> {
        all.sort_by_key(|hash| self.model.acknowledged.get(hash).copied());
        all
    }

    pub(super) fn open_job(&mut self, n: usize, rng: &mut Rng) -> Sound {
        let job = hex::encode(&self.fresh().bytes()[..16]);
        let number = format!("{}-{:03}", self.nodes[n].name, self.model.jobs.len() + 1);
        let mut drafts = vec![draft(&format!("job/{job}/open"), "open", &json!({"number": number, "section": "front-wall"}), vec![])];
        if rng.percent(80) {
            drafts.push(draft(&format!("job/{job}/place"), "place", &bodies::body("place", true, false, rng), vec![]));
        }
        if self.say(n, "ana-r", drafts)?.is_some() {
            self.figure.add("jobs", 1);
            self.model.jobs.push(job);
        }
        Ok(())
    }

    pub(super) fn record(&mut self, n: usize, rng: &mut Rng) -> Sound {
        let Some(view) = self.any_job(n, rng) else { return self.open_job(n, rng) };
        if rng.percent(20) {
            let field = *rng.pick(&bodies::LISTS).unwrap_or(&"notes");
            let body = bodies::body(field, false, false, rng);
            let subject = format!("job/{}/{field}", view.job);
            return self.say(n, bodies::writer(field), vec![draft(&subject, bodies::kind(field), &body, vec![])]).map(drop);
        }
        let often = ["gap/12", "gap/3", "gap/6", "place", "second-count", "material", "joint/upper/visual"];
        let field = if rng.percent(75) { *rng.pick(&often).unwrap_or(&"gap/12") } else { *rng.pick(&bodies::FIELDS).unwrap_or(&"gap/12") };
        let body = bodies::body(field, false, false, rng);
        let person = if rng.percent(60) { bodies::writer(field) } else { rng.pick(&bodies::PEOPLE).copied().unwrap_or("ana-r") };
        let basis = self.basis(&view, field, rng);
        self.write_field(n, &view, field, person, body, basis)
    }

    /// What the new value builds on: mostly what stands on the screen; now and then nothing, a part, or what stood once.
    fn basis(&self, view: &JobView, field: &str, rng: &mut Rng) -> Vec<EntryHash> {
        let Some(shown) = view.fields.get(field) else { return Vec::new() };
        let now = self.placed(shown.basis.clone());
        match rng.below(100) {
            0..65 => now,
            65..80 => Vec::new(),
            80..90 => now.into_iter().take(1).collect(),
            _ => self.placed(shown.past.iter().flat_map(|a| a.entries.clone()).collect()).into_iter().take(2).collect(),
        }
    }

    fn write_field(&mut self, n: usize, view: &JobView, field: &str, person: &str, body: Json, basis: Vec<EntryHash>) -> Sound {
        let named = if self.way.planted == Some(Planted::DropBasis) { Vec::new() } else { basis.clone() };
        let subject = format!("job/{}/{field}", view.job);
        let Some(tx) = self.say(n, person, vec![draft(&subject, bodies::kind(field), &body, named)])? else { return Ok(()) };
        // What the person saw and replaced does not stand on this screen any more.
        let Some(after) = self.screen(n, &view.job).and_then(|v| v.fields.get(field).cloned()) else { return Ok(()) };
        match basis.iter().find(|hash| after.basis.contains(hash)) {
            Some(hash) => Err(format!("{field}: {hash} was replaced by {} and stands on", tx[0].hash)),
            None if !after.basis.contains(&tx[0].hash) => Err(format!("{field}: what was just saved does not stand")),
            None => Ok(()),
        }
    }

    /// A shift's work: every field up to a step that is still empty gets its usual value, as one transaction.
    pub(super) fn fill(&mut self, n: usize, rng: &mut Rng) -> Sound {
        let Some(view) = self.any_job(n, rng) else { return self.open_job(n, rng) };
        let upto = 1 + rng.below(11) as u8;
        let empty = bodies::FIELDS.iter().filter(|f| bodies::step(f) <= upto && !view.fields.contains_key(**f));
        let mut by_person: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
        empty.for_each(|field| by_person.entry(bodies::writer(field)).or_default().push(field));
        for (person, fields) in by_person {
            let write = |field: &&str| {
                let body = bodies::body(field, true, false, &mut Rng::new(1));
                draft(&format!("job/{}/{field}", view.job), bodies::kind(field), &body, vec![])
            };
            let drafts = fields.iter().map(write).collect();
            if self.say(n, person, drafts)?.is_none() {
                break;
            }
        }
        Ok(())
    }

    /// Bytes first, entry second.
    pub(super) fn photo(&mut self, n: usize, rng: &mut Rng) -> Sound {
        let Some(view) = self.any_job(n, rng) else { return self.open_job(n, rng) };
        let length = rng.weighted(&[(90, 400 + rng.clone().below(3000)), (8, 40_000), (2, 300_000)]);
        let mut bytes = vec![0; length];
        blake3::Hasher::new().update(&self.fresh().bytes()).finalize_xof().fill(&mut bytes);
        let taken = self.store(n).photos().put(&bytes);
        self.nodes[n].drive.follow();
        let hash = match taken {
            Ok(hash) => hash,
            Err(e) => return self.trouble(n, &e),
        };
        let body = json!({"hash": hash, "bytes": length, "view": "close", "caption": "", "width": 40, "height": 30, "mime": "image/jpeg"});
        if self.say(n, "ana-r", vec![draft(&format!("job/{}/photos", view.job), "photo", &body, vec![])])?.is_some() {
            self.figure.add("photos", 1);
            self.model.photos.insert(hash, Photo { bytes, at: BTreeSet::from([n]) });
        }
        Ok(())
    }

    pub(super) fn strike(&mut self, n: usize, rng: &mut Rng) -> Sound {
        let Some(view) = self.any_job(n, rng) else { return Ok(()) };
        let items = view.lists.iter().filter(|(path, _)| !path.starts_with("gate/"));
        let items: Vec<(&String, EntryHash)> =
            items.flat_map(|(path, all)| all.iter().filter(|i| i.struck.is_none()).map(move |i| (path, i.entry))).collect();
        let places = self.placed(items.iter().map(|(_, hash)| *hash).collect());
        let Some((path, entry)) = rng.pick(&places).and_then(|hash| items.iter().find(|(_, h)| h == hash)) else { return Ok(()) };
        let body = json!({"entry": entry, "reason": "taken twice"});
        self.say(n, "ana-r", vec![draft(&format!("job/{}/{path}", view.job), "strike", &body, vec![])]).map(drop)
    }

    /// Two answers are settled by somebody who may, or by somebody who may not.
    pub(super) fn settle(&mut self, n: usize, rng: &mut Rng) -> Sound {
        let Some(view) = self.any_job(n, rng) else { return Ok(()) };
        self.settle_on(n, &view, rng)
    }

    fn settle_on(&mut self, n: usize, view: &JobView, rng: &mut Rng) -> Sound {
        let two: Vec<&String> = view.fields.iter().filter(|(_, f)| f.state == FieldState::TwoAnswers).map(|(p, _)| p).collect();
        let Some(field) = rng.pick(&two) else { return Ok(()) };
        let shown = &view.fields[*field];
        let person = rng.pick(&["m-diaz", "g-holm", "l-vega", "m-soto"]).copied().unwrap_or("m-diaz");
        let roster = PLAN.person(&PersonId(person.into()));
        let may = roster.is_some_and(|p| signing::may_settle(view, field, p, "measured again together").is_ok());
        if !may && rng.percent(70) {
            return Ok(());
        }
        let stand = self.placed(shown.basis.clone());
        let Some(chosen) = rng.pick(&stand).and_then(|h| shown.answers.iter().find(|a| a.entries.contains(h))) else { return Ok(()) };
        let body = json!({"kind": chosen.kind, "body": chosen.body, "reason": "measured again together"});
        self.figure.add("settlements", 1);
        self.say(n, person, vec![draft(&format!("job/{}/{field}", view.job), "settle", &body, stand)]).map(drop)
    }

    /// The supervisor settles at the board: the server writes it.
    pub(super) fn board(&mut self, s: usize, c: u32) -> Sound {
        let mut rng = Rng::new(u64::from(c));
        if s >= self.servers || !self.open(s)? {
            return Ok(());
        }
        let Some(view) = self.any_job(s, &mut rng) else { return Ok(()) };
        self.settle_on(s, &view, &mut rng)?;
        if self.nodes[s].store.is_some() { self.look(s, &mut rng) } else { Ok(()) }
    }

    /// Signs what stands on the screen, or what stood on it when the person last looked.
    pub(super) fn sign(&mut self, n: usize, rng: &mut Rng) -> Sound {
        let Some(mut view) = self.any_job(n, rng) else { return Ok(()) };
        let late = rng.percent(20);
        if let Some(before) = self.nodes[n].seen.get(&view.job).filter(|_| late) {
            view = before.clone();
        } else {
            self.nodes[n].seen.insert(view.job.clone(), view.clone());
        }
        let Some(point) = rng.pick(&PLAN.hold_points) else { return Ok(()) };
        let Some(role) = rng.pick(&point.roles).copied() else { return Ok(()) };
        let person = signer(role, rng);
        let waived = rng.percent(8).then(|| "the part is out of reach today".to_owned());
        let id = PersonId(person.into());
        let may = match &waived {
            Some(reason) => signing::may_waive(&view, &PLAN, &point.id, &id, role, reason),
            None => signing::may_sign(&view, &PLAN, &point.id, &id, role),
        };
        // Now and then a program without the rules signs all the same: the others must judge it.
        if may.is_err() && rng.percent(85) {
            return Ok(());
        }
        let Some(sign) = signing::sign_body(&view, &PLAN, &point.id, role, "en", waived) else { return Ok(()) };
        self.figure.add("signatures", 1);
        let body = serde_json::to_value(sign).expect("a signature is plain");
        self.say(n, person, vec![draft(&format!("job/{}/gate/{}", view.job, point.id), "sign", &body, vec![])]).map(drop)
    }

    /// The supervisor puts another plan there; it replaces the one that stands.
    pub(super) fn new_plan(&mut self, s: usize, c: u32) -> Sound {
        if s >= self.servers || !self.open(s)? {
            return Ok(());
        }
        let stand = match self.store(s).subject("site/plan") {
            Ok(all) => all.iter().map(|e| e.hash).collect(),
            Err(e) => return self.trouble(s, &e),
        };
        let mut plan = PLAN.clone();
        plan.silent_after_min = 30 + c % 100;
        let body = serde_json::to_value(plan).expect("a plan is plain");
        self.figure.add("plans", 1);
        self.say(s, "m-diaz", vec![draft("site/plan", "site-plan", &body, stand)]).map(drop)
    }
}

/// Somebody who may sign so, mostly one who has not counted the tube.
fn signer(role: Role, rng: &mut Rng) -> &'static str {
    match role {
        Role::Helper => "j-ortiz",
        Role::Welder if rng.percent(50) => "d-kerr",
        Role::Welder => "m-soto",
        Role::Supervisor => "m-diaz",
        Role::Qc => "l-vega",
        Role::Engineer => "p-lindahl",
        Role::Inspector => "r-okoye",
        Role::Operations => "t-brandt",
    }
}
