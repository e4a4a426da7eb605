//! What must hold: after every step what is cheap to ask, and everything whenever the world comes to rest.

use crate::oracle::{Counting, Oracle, differences};
use crate::sim::exchange::Turn;
use crate::sim::rng::Rng;
use crate::sim::world::{Sound, World};
use job::SitePlan;
use journal::{EntryHash, Incarnation, Sealed};
use std::collections::{BTreeMap, BTreeSet};
use store::Size;
use sync::{EntriesReceipt, PhotoReceipt};

impl World {
    /// The heads of a running machine never go back, and are noted.
    pub(super) fn check_heads(&mut self, n: usize) -> Sound {
        let heads = match self.store(n).heads() {
            Ok(heads) => heads,
            Err(e) => return self.trouble(n, &e),
        };
        for (series, had) in &self.nodes[n].durable {
            match heads.0.get(series) {
                Some(head) if head.seq > had.seq || head == had => {}
                other => return Err(format!("{}: entry {} of {series} was promised; there is {other:?}", self.nodes[n].name, had.seq)),
            }
        }
        self.nodes[n].durable = heads.0;
        Ok(())
    }

    /// After a start: what was promised is there, entry by entry at the old heads.
    pub(super) fn check_restart(&mut self, n: usize) -> Sound {
        let before = self.nodes[n].durable.clone();
        for (series, had) in before {
            let found = match self.store(n).read(&series, had.seq, 1) {
                Ok(found) => found,
                Err(e) => return self.trouble(n, &e),
            };
            let there = found.first().map(|s| (s.entry.seq, s.hash));
            if there != Some((had.seq, had.hash)) {
                return Err(format!(
                    "{}: entry {} of {series} was promised before the program ended; now there is {there:?}",
                    self.nodes[n].name, had.seq
                ));
            }
        }
        self.check_heads(n)
    }

    /// A receipt says that something is durably on the server's disk: it is.
    pub(super) fn check_receipt(&mut self, server: usize, receipt: &EntriesReceipt) -> Sound {
        let there = self.nodes[server].durable.get(&receipt.incarnation).map_or(0, |head| head.seq);
        self.figure.add("receipts for entries", 1);
        if there >= receipt.seq {
            Ok(())
        } else {
            Err(format!("a receipt for entry {} of {}; the server has {there}", receipt.seq, receipt.incarnation))
        }
    }

    /// A receipt for a photo says that its bytes are there, and right.
    pub(super) fn check_photo_receipt(&mut self, server: usize, receipt: &PhotoReceipt) -> Sound {
        self.figure.add("receipts for photos", 1);
        let Some(store) = self.nodes[server].store.as_ref() else { return Ok(()) };
        let found = store.photos().read(&receipt.photo, Size::Full);
        let spoilt = self.nodes[server].spoilt.contains(&receipt.photo);
        let Some(promise) = self.model.photos.get_mut(&receipt.photo) else { return Ok(()) };
        match found {
            Ok(Some(bytes)) if bytes == promise.bytes => {
                promise.at.insert(server);
                Ok(())
            }
            _ if spoilt => Ok(()),
            Err(_) if self.nodes[server].harmed => Ok(()),
            other => Err(format!("a receipt for photo {}, and the server has {:?}", receipt.photo, other.map(|b| b.map(|b| b.len())))),
        }
    }

    /// After a step on a machine: its heads, and now and then one job against the oracle.
    pub(super) fn look(&mut self, n: usize, rng: &mut Rng) -> Sound {
        self.check_heads(n)?;
        if self.nodes[n].store.is_none() || !rng.percent(25) {
            return Ok(());
        }
        let recent: Vec<String> = self.model.jobs.iter().rev().take(3).cloned().collect();
        let Some(job) = rng.pick(&recent).cloned() else { return Ok(()) };
        self.check_jobs(n, &[job])
    }

    /// Jobs of one machine against the oracle.
    fn check_jobs(&mut self, n: usize, jobs: &[String]) -> Sound {
        let read = self.holdings(n).and_then(|all| Ok((all, self.store(n).plan()?, self.store(n).trust()?)));
        let (all, plan, trust) = match read {
            Ok((all, Some(plan), trust)) => (all, plan, trust),
            Ok(_) => return Ok(()),
            Err(e) => return self.trouble(n, &e),
        };
        // What the disk took of it: a pairing that it refused changes nothing.
        let counting = Counting::new(&trust.unwrap_or_else(|| self.nodes[n].trust()), all.values());
        let counted: Vec<&Sealed> = all.values().filter(|s| counting.counts(s)).collect();
        self.figure.add("entries kept apart when looked at", (all.len() - counted.len()) as u64);
        for job in jobs {
            self.check_job(n, job, &plan, &counted)?;
        }
        Ok(())
    }

    fn check_job(&mut self, n: usize, job: &str, plan: &SitePlan, counted: &[&Sealed]) -> Sound {
        let told = Oracle::new(job, plan, counted.iter().copied()).told();
        self.figure.add("jobs compared with the naive reading", 1);
        let Some(view) = self.screen(n, job) else {
            // A disk that fails while it is read is no news.
            let known = self.nodes[n].store.as_ref().is_some_and(|s| s.check().is_ok()) && !self.nodes[n].harmed;
            return match told.fields.contains_key("open") && known {
                true => Err(format!("{}: job {job} is opened and has no screen", self.nodes[n].name)),
                false => Ok(()),
            };
        };
        match differences(&view, plan, &told).into_iter().next() {
            Some(what) => Err(format!("{}: job {job}: {what}", self.nodes[n].name)),
            None => Ok(()),
        }
    }

    /// Faults stop; everybody syncs; everything is checked.
    pub(super) fn quiet(&mut self) -> Sound {
        self.resting = true;
        let found = self.rest();
        self.resting = false;
        found
    }

    fn rest(&mut self) -> Sound {
        self.figure.add("times at rest", 1);
        for n in 0..self.nodes.len() {
            self.nodes[n].link = 0;
            self.nodes[n].session = None;
            self.nodes[n].drive.mend();
            (self.nodes[n].dying, self.nodes[n].harmed) = (None, false);
            self.open(n)?;
        }
        self.adopt_each_other()?;
        // A copy that is found out begins a new series, which takes a person to pair it: the rounds are counted from then.
        let (mut short, mut round, mut series) = (String::new(), 0, self.found_out());
        for _ in 0..12 {
            round += 1;
            for n in self.servers..self.nodes.len() {
                self.whole_exchange(n)?;
            }
            self.bundle()?;
            match self.drained()? {
                None => {
                    self.figure.add(&format!("drained in round {round}"), 1);
                    return self.all_alike();
                }
                Some(why) => short = why,
            }
            if self.found_out() > series {
                (series, round) = (self.found_out(), 0);
            }
            if round == 3 {
                break;
            }
        }
        Err(format!("not drained within three rounds: {short}"))
    }

    fn found_out(&self) -> u64 {
        self.figure.get("copies found out")
    }

    fn whole_exchange(&mut self, n: usize) -> Sound {
        if !self.open(n)? {
            return Ok(());
        }
        let mut rng = Rng::new(0);
        loop {
            match self.turn(n, 0, &mut rng)? {
                Turn::Going => {}
                Turn::Over(_) => return Ok(()),
                // Shut out; anything else would be the next turn's failure to drain.
                Turn::Broken => return Ok(()),
            }
        }
    }

    /// True for a tablet that the servers listen to.
    fn in_service(&self, n: usize) -> bool {
        !self.nodes[n].gone && !self.model.shut_out.contains_key(&self.nodes[n].series())
    }

    /// Why not everything is everywhere yet, or `None`.
    fn drained(&mut self) -> Sound<Option<String>> {
        let mut most: BTreeMap<Incarnation, u64> = BTreeMap::new();
        let serving: Vec<usize> = (0..self.nodes.len()).filter(|n| self.in_service(*n)).collect();
        for n in &serving {
            for (series, head) in &self.nodes[*n].durable {
                let seen = most.entry(*series).or_default();
                *seen = head.seq.max(*seen);
            }
        }
        let doubtful = self.model.doubtful.clone();
        for n in &serving {
            for (series, seq) in most.iter().filter(|(series, _)| !doubtful.contains(series)) {
                let here = self.nodes[*n].durable.get(series).map_or(0, |h| h.seq);
                if here < *seq {
                    return Ok(Some(format!("{} has {here} of {seq} entries of {series}", self.nodes[*n].name)));
                }
            }
        }
        // Of a series of which two versions exist, each is kept by one server at least.
        let mut kept: BTreeSet<EntryHash> = BTreeSet::new();
        for s in 0..self.servers {
            let Some(all) = self.all_kept(s) else { return Ok(Some("a server cannot be read".into())) };
            kept.extend(all);
        }
        let cut_off: BTreeSet<EntryHash> = self.only_on_shut_out(&kept);
        let lost = |h: &EntryHash| self.model.lost.contains(h) || cut_off.contains(h);
        let missing = self.model.acknowledged.iter().find(|(h, _)| !kept.contains(*h) && !lost(h));
        if let Some((hash, (series, seq))) = missing {
            return Ok(Some(format!("no server has {hash}, entry {seq} of {series}")));
        }
        Ok(self.photos_drained())
    }

    /// Entries that only machines hold to which nobody listens.
    fn only_on_shut_out(&mut self, kept: &BTreeSet<EntryHash>) -> BTreeSet<EntryHash> {
        let mut all = BTreeSet::new();
        for n in (self.servers..self.nodes.len()).filter(|n| !self.in_service(*n)).collect::<Vec<_>>() {
            all.extend(self.all_kept(n).into_iter().flatten().filter(|h| !kept.contains(h)));
        }
        all
    }

    fn photos_drained(&mut self) -> Option<String> {
        for s in 0..self.servers {
            let Ok(wanted) = self.store(s).photos_wanted(10_000) else { return Some("a server cannot be read".into()) };
            for photo in wanted {
                let Some(promise) = self.model.photos.get(&photo) else { continue };
                let could = promise.at.iter().any(|n| {
                    let node = &self.nodes[*n];
                    !node.server && self.in_service(*n) && node.papers.home.as_ref().is_some_and(|h| h.server == s)
                });
                if could {
                    return Some(format!("{} wants photo {photo}, and a tablet of its own has it", self.nodes[s].name));
                }
            }
        }
        None
    }

    /// All who hold the same show the same, also anew from the entries; photos are what they were.
    fn all_alike(&mut self) -> Sound {
        let jobs = self.model.jobs.clone();
        // By what a store holds and whom it believes: who showed it first, and what.
        type Held = (Vec<EntryHash>, BTreeSet<Incarnation>);
        let mut states: BTreeMap<Held, (usize, Vec<u8>)> = BTreeMap::new();
        for n in 0..self.nodes.len() {
            if self.nodes[n].gone {
                continue;
            }
            self.check_jobs(n, &jobs)?;
            let state = self.store(n).state_bytes().map_err(|e| format!("{}: {e}", self.nodes[n].name))?;
            self.trace.update(&state);
            if n == self.made_up_choice() {
                self.check_rebuild(n, &state)?;
            }
            // Who belongs to another server must see the same; who belongs to none any more believes what it believed.
            let mut unspoken = self.unspoken(n);
            if !self.in_service(n) {
                unspoken.extend(self.nodes[n].trust().roots);
            }
            // A head's hash covers its whole series.
            let group = (self.nodes[n].durable.values().map(|head| head.hash).collect(), unspoken);
            match states.get(&group) {
                Some((other, theirs)) if *theirs != state => {
                    let (other, apart) = (*other, first_difference(theirs, &state));
                    let counted = self.counted_otherwise(other, n);
                    let (a, b) = (&self.nodes[other].name, &self.nodes[n].name);
                    return Err(format!("{a} and {b} hold the same and show different things: {counted}{apart}"));
                }
                Some(_) => self.figure.add("pairs of machines that show the same", 1),
                None => drop(states.insert(group, (n, state))),
            }
        }
        self.check_photos()
    }

    /// Series that two machines judge differently.
    fn counted_otherwise(&mut self, a: usize, b: usize) -> String {
        let (one, two) = (self.store(a).series_states().unwrap_or_default(), self.store(b).series_states().unwrap_or_default());
        let apart = one.iter().filter_map(|x| Some((x, two.iter().find(|y| y.incarnation == x.incarnation && *y != x)?)));
        let say = |(x, y): (&store::SeriesState, &store::SeriesState)| {
            format!(
                "{} of {} counts to {} and to {}, said {:?} and {:?}; ",
                x.incarnation, x.name, x.counts_to, y.counts_to, x.said, y.said
            )
        };
        let roots = |n: usize, w: &Self| format!("believing {:?}; ", w.nodes[n].trust());
        apart.map(say).collect::<String>() + &roots(a, self) + &roots(b, self)
    }

    fn made_up_choice(&self) -> usize {
        (self.now_ms as usize / 1000) % self.nodes.len()
    }

    fn check_rebuild(&mut self, n: usize, state: &[u8]) -> Sound {
        let again = self.store(n).rebuild().and_then(|()| self.store(n).state_bytes());
        let again = again.map_err(|e| format!("{}: {e}", self.nodes[n].name))?;
        self.nodes[n].drive.follow();
        self.figure.add("stores rebuilt and compared", 1);
        if again == state {
            Ok(())
        } else {
            Err(format!("{}: made anew it shows other things: {}", self.nodes[n].name, first_difference(state, &again)))
        }
    }

    /// Own series of which no server speaks: they count here and nowhere else, so this machine is like no other.
    fn unspoken(&mut self, n: usize) -> BTreeSet<Incarnation> {
        let states = self.store(n).series_states().unwrap_or_default();
        let spoken = |series: &Incarnation| states.iter().any(|s| s.incarnation == *series && !s.said.is_empty());
        self.nodes[n].papers.own.iter().filter(|s| !spoken(s)).copied().collect()
    }

    fn check_photos(&mut self) -> Sound {
        for (photo, promise) in &self.model.photos {
            for n in promise.at.iter().filter(|n| !self.nodes[**n].gone) {
                let Some(store) = self.nodes[*n].store.as_ref() else { continue };
                match store.photos().read(photo, Size::Full) {
                    Ok(Some(bytes)) if bytes == promise.bytes => {}
                    other => {
                        return Err(format!(
                            "{}: photo {photo} was promised: {:?}",
                            self.nodes[*n].name,
                            other.map(|b| b.map(|b| b.len()))
                        ));
                    }
                }
            }
        }
        Ok(())
    }

    /// Names what is missing of the tablets' series: what the server was told of and never got.
    pub fn missing(&mut self, s: usize) -> BTreeMap<Incarnation, (u64, u64)> {
        let heard = self.nodes[s].papers.heard.clone();
        let have = |series: &Incarnation| self.nodes[s].durable.get(series).map_or(0, |h| h.seq);
        heard.into_iter().filter(|(series, seq)| have(series) < *seq).map(|(series, seq)| (series, (have(&series) + 1, seq))).collect()
    }
}

/// The first line in which two states differ.
fn first_difference(a: &[u8], b: &[u8]) -> String {
    let (a, b) = (String::from_utf8_lossy(a), String::from_utf8_lossy(b));
    let found = a.lines().zip(b.lines()).find(|(x, y)| x != y);
    let Some((x, y)) = found else { return format!("{} and {} lines", a.lines().count(), b.lines().count()) };
    let at = x.bytes().zip(y.bytes()).position(|(p, q)| p != q).unwrap_or(0).saturating_sub(60);
    let piece = |s: &str| s.chars().skip(at).take(200).collect::<String>();
    format!("…{}… and …{}…", piece(x), piece(y))
}
