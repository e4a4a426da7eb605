//! Peers that mean harm, and programs that are newer than the others.

use crate::sim::bodies;
use crate::sim::folds::PLAN;
use crate::sim::rng::Rng;
use crate::sim::wire::{Request, Route};
use crate::sim::world::{Sound, World, draft};
use job::standing::{self, SeriesRole, Standing};
use journal::{DeviceId, Draft, EntryHash, Incarnation, PersonId, Sealed, Signature, SigningKey, SiteId, Stamp, Subject, Writer};
use serde_json::json;
use std::collections::BTreeMap;
use sync::wire;

/// A device that nobody paired.
struct Stranger {
    key: SigningKey,
    device: DeviceId,
    writer: Writer,
}

impl Stranger {
    fn new(world: &mut World, site: SiteId) -> Self {
        let key = world.fresh_key();
        let mut device = DeviceId([0; 16]);
        device.0.copy_from_slice(&world.fresh().bytes()[..16]);
        let writer = Writer::new(site, device, Incarnation::of(&key.public()), None, 1_000_000);
        Self { key, device, writer }
    }

    fn write(&mut self, now_ms: i64, drafts: Vec<Draft>) -> Vec<Sealed> {
        let stamp = Stamp { wall_ms: now_ms, boot: journal::BootId([7; 16]), uptime_ms: 1, person: PersonId("m-diaz".into()) };
        let made = self.writer.transaction(&stamp, drafts, &self.key).expect("a sound transaction");
        self.writer.advance(&made);
        made
    }
}

impl World {
    /// Somebody with a stolen token sends what was made to harm. No view may change by it.
    pub(super) fn hostile(&mut self, s: usize, c: u32) -> Sound {
        if s >= self.servers || !self.open(s)? {
            return Ok(());
        }
        let Some(token) = self.nodes[s].papers.tokens.iter().find(|(_, good)| **good).map(|(token, _)| *token) else { return Ok(()) };
        let mut rng = Rng::new(u64::from(c));
        let before = match self.shown(s) {
            Ok(shown) => shown,
            Err(e) => return self.trouble(s, &e),
        };
        let (name, body) = self.made_to_harm(s, &mut rng)?;
        let Some(body) = body else { return Ok(()) };
        self.figure.add(&format!("fault: hostile, {name}"), 1);
        self.serve(&Request { token, to: s, route: Route::Push, body })?;
        if !self.open(s)? {
            return Ok(());
        }
        match self.shown(s) {
            Ok(after) if after == before => Ok(()),
            Ok(_) => Err(format!("{}: {name} changed what is shown", self.nodes[s].name)),
            Err(e) => self.trouble(s, &e),
        }
    }

    /// The plan and every job as the server shows them.
    fn shown(&mut self, s: usize) -> Result<BTreeMap<String, String>, store::StoreError> {
        let jobs = self.model.jobs.clone();
        let mut all = BTreeMap::new();
        for job in jobs {
            all.insert(job.clone(), self.store(s).job_json(&job)?.unwrap_or_default());
        }
        all.insert(String::new(), format!("{:?}", self.store(s).plan()?));
        Ok(all)
    }

    fn made_to_harm(&mut self, s: usize, rng: &mut Rng) -> Sound<(&'static str, Option<Vec<u8>>)> {
        let now_ms = self.now_ms;
        let job = self.model.jobs.last().cloned().unwrap_or_else(|| "j".to_owned());
        let gap = |rng: &mut Rng| draft(&format!("job/{job}/gap/12"), "gap", &bodies::body("gap/12", false, false, rng), vec![]);
        let begin = |stranger: &Stranger, role: &str| Draft::series_begin(stranger.device, &stranger.key, "K1", role);
        let push = |entries: &[Sealed]| Some(wire::encode_push(entries));
        Ok(match rng.below(9) {
            0 => {
                let mut stranger = Stranger::new(self, PLAN.site);
                let all = stranger.write(now_ms, vec![begin(&stranger, "tablet"), gap(rng)]);
                ("a stranger's series", push(&all))
            }
            1 => {
                let mut stranger = Stranger::new(self, PLAN.site);
                let own = stranger.writer.incarnation();
                let says = Standing { role: SeriesRole::Server, name: "trailer".into(), to: None, reason: String::new() };
                let mut plan = PLAN.clone();
                plan.hold_points.clear();
                let plan = draft("site/plan", "site-plan", &serde_json::to_value(plan).expect("plain"), vec![]);
                let mut drafts = vec![begin(&stranger, "server"), plan];
                drafts.extend(standing::draft(&own, &says, vec![]));
                let all = stranger.write(now_ms, drafts);
                ("a stranger who says he is a server, with a plan of his own", push(&all))
            }
            2 => {
                let mut stranger = Stranger::new(self, SiteId([9; 16]));
                let all = stranger.write(now_ms, vec![begin(&stranger, "tablet"), gap(rng)]);
                ("entries of another site", push(&all))
            }
            3 => ("bytes without sense", Some((0..rng.below(300)).map(|_| rng.next() as u8).collect())),
            _ => return self.forged(s, rng),
        })
    }

    /// Entries of a series that is known here, changed in one way or sent again.
    fn forged(&mut self, s: usize, rng: &mut Rng) -> Sound<(&'static str, Option<Vec<u8>>)> {
        let read = self.store(s).heads();
        let heads = match read {
            Ok(heads) => heads.0,
            Err(e) => return self.trouble(s, &e).map(|()| ("", None)),
        };
        let series: Vec<Incarnation> = heads.keys().copied().collect();
        let Some(series) = rng.pick(&series).copied() else { return Ok(("", None)) };
        let all = match self.store(s).read(&series, 1, 1 << 20) {
            Ok(all) => all,
            Err(e) => return self.trouble(s, &e).map(|()| ("", None)),
        };
        let Some(last) = all.last().cloned() else { return Ok(("", None)) };
        let push = |entries: &[Sealed]| Some(wire::encode_push(entries));
        let other = self.fresh_key();
        let next = |change: &dyn Fn(&mut journal::Entry)| {
            let mut entry = last.entry.clone();
            (entry.seq, entry.prev, entry.tx_left) = (last.entry.seq + 1, Some(last.hash), 0);
            (entry.kind, entry.basis) = ("note".to_owned(), Vec::new());
            change(&mut entry);
            entry.seal().expect("within the limits")
        };
        Ok(match rng.below(6) {
            0 => ("everything of a series once more", push(&all)),
            1 => {
                let mut made = next(&|_| {});
                made.sig = Some(other.sign(&made.hash));
                ("the next entry, signed with another key", push(&[made]))
            }
            2 => {
                let mut made = next(&|_| {});
                made.sig = Some(Signature([0; 64]));
                ("the next entry, signed with zeros", push(&[made]))
            }
            3 => {
                let made = next(&|e| (e.seq, e.prev, e.wall_ms) = (last.entry.seq, last.entry.prev, e.wall_ms + 1));
                if last.entry.seq == 1 {
                    return Ok(("", None));
                }
                let made = Sealed { sig: Some(other.sign(&made.hash)), ..made };
                ("another entry at the place of the last, signed with another key", push(&[made]))
            }
            4 => {
                let open = next(&|e| e.tx_left = 1);
                ("half a transaction", push(&[open]))
            }
            _ => {
                let mut made = next(&|e| e.prev = Some(EntryHash([3; 32])));
                made.sig = Some(other.sign(&made.hash));
                ("an entry after one that nobody has", push(&[made]))
            }
        })
    }

    /// A later program on this tablet: kinds, versions and keys that the others do not know.
    pub(super) fn later(&mut self, n: usize, rng: &mut Rng) -> Sound {
        let Some(job) = self.model.jobs.last().cloned() else { return Ok(()) };
        self.figure.add("entries of a later program", 1);
        let subject = |field: &str| format!("job/{job}/{field}");
        let plain =
            |field: &str, kind: &str, rng: &mut Rng| draft(&subject(field), kind, &bodies::body("gap/12", false, false, rng), vec![]);
        let drafts = match rng.below(6) {
            0 => vec![Draft { version: 2, ..plain("gap/6", "gap", rng) }],
            1 => vec![plain("gap/6", "gap-by-laser", rng)],
            2 => vec![plain("torque/1", "torque", rng)],
            3 => vec![draft(&subject("readings"), "reading", &json!({"wall_by_laser": [1, 5]}), vec![])],
            4 => vec![draft("crane/3/inspection", "crane", &json!({"seen": [1, {"y": "z"}]}), vec![]), plain("gap/9", "gap", rng)],
            _ => return self.with_a_later_key(n, &subject("notes")),
        };
        self.say(n, "ana-r", drafts).map(drop)
    }

    /// An entry with a key that a later format added: everybody keeps its bytes and sends them on.
    fn with_a_later_key(&mut self, n: usize, subject: &str) -> Sound {
        let note = Draft { subject: Subject(subject.to_owned()), ..draft("x", "note", &json!({"text": "with a later key"}), vec![]) };
        let now_ms = self.now_ms;
        let made = match self.nodes[n].build("ana-r", vec![note], now_ms) {
            Ok(mut made) => made.remove(0),
            Err(e) => return self.trouble(n, &e),
        };
        let mut bytes = made.bytes;
        // A map of 18 pairs instead of 17; the last one is key 40 and a text.
        bytes[0] += 1;
        bytes.extend([0x18, 40, 0x65]);
        bytes.extend(b"later");
        let mut sealed = Sealed::open(bytes, None).map_err(|e| format!("a later key is not tolerated: {e}"))?;
        sealed.sig = Some(self.nodes[n].papers.key.sign(&sealed.hash));
        match self.store(n).append(std::slice::from_ref(&sealed)) {
            Ok(()) => self.acknowledge(n, &[sealed]),
            Err(e) => return self.trouble(n, &e),
        }
        Ok(())
    }
}
