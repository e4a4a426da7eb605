//! What befalls a machine: its power, its program, its disk, its clock, its owner.

use crate::sim::drive::Drive;
use crate::sim::node::Node;
use crate::sim::rng::Rng;
use crate::sim::world::{Sound, World};
use job::standing::{SeriesRole, Standing};
use journal::{EntryHash, Incarnation, SigningKey};
use std::collections::BTreeSet;
use store::testkit::machine::Fault;
use store::{Size, StoreError};
use sync::CertifiedSeries;

impl World {
    /// A program begins: opens its store, and what was promised must be there.
    ///
    /// # Errors
    /// Where it does not open though nobody harmed the disk, or something promised is missing.
    pub(super) fn start(&mut self, n: usize) -> Sound {
        for _ in 0..4 {
            match self.nodes[n].drive.open() {
                Ok(store) => {
                    self.nodes[n].store = Some(store);
                    return self.check_restart(n);
                }
                // A fault that waited struck while it opened: once more, with what is left.
                Err(e) if self.nodes[n].harmed => {
                    self.figure.add("fault: struck while a store was opened", 1);
                    drop(e);
                    self.down(n);
                }
                Err(e) if self.nodes[n].flipped => {
                    self.figure.add("flipped pages found", 1);
                    drop(e);
                    return self.replace(n);
                }
                Err(e) => return Err(format!("{}: the store does not open: {e}", self.nodes[n].name)),
            }
        }
        Err(format!("{}: the store does not open again and again", self.nodes[n].name))
    }

    /// The program ends, with the machine where its disk is dying.
    pub(super) fn down(&mut self, n: usize) {
        let boot = self.fresh_boot();
        let now_ms = self.now_ms;
        let node = &mut self.nodes[n];
        (node.store, node.session, node.harmed) = (None, None, false);
        match node.dying.take() {
            Some(chance) => {
                node.drive.cut(chance);
                node.clock.boot(boot, now_ms);
                self.figure.add("fault: power cut in the middle of a call", 1);
            }
            None => node.drive.kill(),
        }
    }

    /// The store said no: the program does what follows from that.
    ///
    /// # Errors
    /// Where it says what no disk has caused.
    pub fn trouble(&mut self, n: usize, error: &StoreError) -> Sound {
        let node = &self.nodes[n];
        let struck = node.harmed;
        self.trace.update(error.code().as_bytes());
        match error {
            StoreError::DiskFull if struck => {
                self.figure.add("fault: disk full said", 1);
                self.nodes[n].session = None;
                self.nodes[n].drive.follow();
                return self.check_heads(n);
            }
            StoreError::Damaged(_) if node.flipped => {
                self.figure.add("flipped pages found", 1);
                return self.replace(n);
            }
            StoreError::Stopped(_) | StoreError::Io(_) | StoreError::Sql(_) | StoreError::InUse if struck => {
                self.figure.add("fault: disk error said", 1);
            }
            StoreError::PhotoMissing(_) | StoreError::Damaged(_) if struck => self.figure.add("fault: disk error said", 1),
            _ => return Err(format!("{}: the store says {} without cause: {error}", node.name, error.code())),
        }
        self.down(n);
        self.start(n)
    }

    pub(super) fn kill(&mut self, n: usize) -> Sound {
        if self.nodes[n].gone {
            return Ok(());
        }
        self.figure.add(if self.nodes[n].server { "fault: server restarted" } else { "fault: tablet killed" }, 1);
        self.nodes[n].dying = None;
        self.down(n);
        self.start(n)
    }

    pub(super) fn power_cut(&mut self, n: usize, chance: u64) -> Sound {
        if self.nodes[n].gone {
            return Ok(());
        }
        self.figure.add("fault: power cut", 1);
        self.nodes[n].dying = Some(chance);
        self.down(n);
        self.start(n)
    }

    pub(super) fn fail(&mut self, n: usize, after: u16, how: u8) -> Sound {
        if self.nodes[n].gone {
            return Ok(());
        }
        let (fault, name) = match how {
            0 => (Fault::Once, "fault: one call to a disk will fail"),
            1 => (Fault::FromThenOn, "fault: the power will go at a call"),
            2 => (Fault::Half, "fault: half of one call will be done"),
            _ => (Fault::Full, "fault: a disk will be full"),
        };
        self.figure.add(name, 1);
        self.nodes[n].drive.fail(1 + u64::from(after), fault);
        self.nodes[n].harmed = true;
        if how == 1 {
            self.nodes[n].dying = Some(u64::from(after) * 31 + 7);
        }
        Ok(())
    }

    pub(super) fn make_room(&mut self, n: usize) -> Sound {
        self.nodes[n].drive.mend();
        (self.nodes[n].dying, self.nodes[n].harmed) = (None, false);
        Ok(())
    }

    pub(super) fn upset_clock(&mut self, n: usize, c: u32) -> Sound {
        let now_ms = self.now_ms;
        if !self.way.good_clocks {
            let what = self.nodes[n].clock.upset(now_ms, &mut Rng::new(u64::from(c)));
            self.figure.add(&format!("fault: clock {what}"), 1);
        }
        Ok(())
    }

    /// A photo's file goes bad. The check of the whole store must name it.
    pub(super) fn flip_photo(&mut self, n: usize, c: u32) -> Sound {
        let here: Vec<_> = self.model.photos.iter().filter(|(_, p)| p.at.contains(&n)).map(|(hash, _)| *hash).collect();
        if here.is_empty() || !self.open(n)? {
            return Ok(());
        }
        let photo = here[c as usize % here.len()];
        let path = self.store(n).photos().path(&photo, Size::Full);
        self.down(n);
        let length = self.model.photos[&photo].bytes.len();
        if !self.nodes[n].drive.flip(&path, c as usize % length, (c >> 20) as u8) {
            return Err(format!("{}: photo {photo} was promised and has no file", self.nodes[n].name));
        }
        self.figure.add("fault: a bit of a photo turned over", 1);
        self.nodes[n].spoilt.insert(photo);
        if let Some(promise) = self.model.photos.get_mut(&photo) {
            promise.at.remove(&n);
        }
        self.start(n)?;
        let report = match self.store(n).verify() {
            Ok(report) => report,
            Err(e) => return self.trouble(n, &e),
        };
        if report.faults.iter().any(|f| f.to_string().contains(&photo.to_hex())) {
            return Ok(());
        }
        Err(format!(
            "{}: a bit of photo {photo} turned over and the check of the store does not name it: {:?}",
            self.nodes[n].name, report.faults
        ))
    }

    /// A byte of the database goes bad: it is noticed, or it changes nothing.
    pub(super) fn flip_page(&mut self, n: usize, c: u32) -> Sound {
        if !self.open(n)? {
            return Ok(());
        }
        let before = match self.store(n).state_bytes() {
            Ok(state) => state,
            Err(e) => return self.trouble(n, &e),
        };
        self.nodes[n].dying = None;
        self.down(n);
        let files = self.nodes[n].drive.database();
        let Some((path, length)) = files.get(c as usize % files.len().max(1)) else { return Ok(()) };
        let at = (c as usize).wrapping_mul(2_654_435_761) % length;
        self.nodes[n].drive.flip(path, at, (c >> 27) as u8);
        self.figure.add("fault: a bit of a database turned over", 1);
        self.nodes[n].flipped = true;
        let opened = self.nodes[n].drive.open();
        let sound = match opened {
            Err(_) => false,
            Ok(mut store) => {
                let clean = store.verify().is_ok_and(|report| {
                    let spoilt = |f: &store::Fault| self.nodes[n].spoilt.iter().any(|p| f.to_string().contains(&p.to_hex()));
                    report.faults.iter().all(spoilt)
                });
                if clean && store.state_bytes().is_ok_and(|after| after != before) && !self.log_was_cut(n, &mut store) {
                    return Err(format!("{}: a flipped bit at {at} of {} shows other values as good", self.nodes[n].name, path.display()));
                }
                let same = clean && store.state_bytes().is_ok_and(|after| after == before);
                self.nodes[n].store = Some(store);
                same
            }
        };
        if sound {
            self.figure.add("flipped pages without effect", 1);
            self.nodes[n].flipped = false;
            return Ok(());
        }
        self.figure.add("flipped pages found", 1);
        self.replace(n)
    }

    /// A flip in the write-ahead log makes SQLite end the log there: what follows is gone as if it had never been written,
    /// which no check of one store alone can see. The heads show it, and so does the next sync.
    fn log_was_cut(&self, n: usize, store: &mut store::Store) -> bool {
        let Ok(heads) = store.heads() else { return true };
        let shorter = self.nodes[n].durable.iter().any(|(series, head)| heads.seq(series) < head.seq);
        let kept = heads.0.iter().all(|(series, head)| self.nodes[n].durable.get(series).is_some_and(|had| had.seq >= head.seq));
        shorter && kept
    }

    pub(super) fn back_up(&mut self, n: usize) -> Sound {
        if self.nodes[n].gone || self.nodes[n].flipped || !self.open(n)? {
            return Ok(());
        }
        self.figure.add("backups", 1);
        let node = &mut self.nodes[n];
        node.backup = Some((node.drive.image(), node.papers.clone(), node.durable.clone()));
        Ok(())
    }

    /// The disk is set back to the copy: whatever was only on it since is lost.
    pub(super) fn restore(&mut self, n: usize) -> Sound {
        let Some((image, papers, durable)) = self.nodes[n].backup.clone() else { return Ok(()) };
        if !self.nodes[n].gone {
            self.disk_lost(n)?;
        }
        let boot = self.fresh_boot();
        let now_ms = self.now_ms;
        let node = &mut self.nodes[n];
        (node.store, node.session, node.flipped, node.dying, node.gone, node.harmed) = (None, None, false, None, false, false);
        node.drive.put(image);
        (node.papers, node.durable) = (papers, durable);
        node.seen.clear();
        node.clock.boot(boot, now_ms);
        let series = self.nodes[n].series();
        self.start(n)?;
        self.photos_found(n)?;
        if self.nodes[n].server {
            self.figure.add("fault: server set back to a backup", 1);
            self.server_begins_again(n)
        } else {
            self.figure.add("fault: tablet set back to an old copy", 1);
            self.model.doubtful.insert(series);
            Ok(())
        }
    }

    /// A restored server begins a new series, certified by the identity that the tablets know.
    fn server_begins_again(&mut self, n: usize) -> Sound {
        let key = self.fresh_key();
        let papers = &mut self.nodes[n].papers;
        papers.certified.push(CertifiedSeries::sign(&papers.identity, key.public()));
        self.new_server_series(n, key)
    }

    fn new_server_series(&mut self, n: usize, key: SigningKey) -> Sound {
        let papers = &mut self.nodes[n].papers;
        papers.own.insert(Incarnation::of(&key.public()));
        papers.key = key;
        if self.open(n)? && self.begin(n)? { self.adopt_each_other() } else { Ok(()) }
    }

    /// A second tablet has a copy of this one's disk and keys.
    pub(super) fn copy_tablet(&mut self, n: usize) -> Sound {
        let copies = self.nodes.len() - self.servers - usize::from(self.script.tablets);
        if copies >= 2 || !self.open(n)? || self.nodes[n].flipped {
            return Ok(());
        }
        self.figure.add("fault: tablet copied", 1);
        let boot = self.fresh_boot();
        let image = self.nodes[n].drive.image();
        let mut copy = self.machine(false, &self.nodes[n].name.clone());
        copy.drive = Drive::of(image);
        copy.papers = self.nodes[n].papers.clone();
        copy.durable = self.nodes[n].durable.clone();
        copy.spoilt = self.nodes[n].spoilt.clone();
        copy.clock.boot(boot, self.now_ms);
        self.model.doubtful.insert(copy.series());
        self.nodes.push(copy);
        let n = self.nodes.len() - 1;
        self.start(n)?;
        self.photos_found(n)
    }

    /// The disk is gone for good. The server can name what it was told of and never got; then another machine takes its place.
    pub(super) fn lose(&mut self, n: usize) -> Sound {
        if self.nodes[n].gone {
            return Ok(());
        }
        self.figure.add(if self.nodes[n].server { "fault: server's disk lost" } else { "fault: tablet's disk lost" }, 1);
        self.replace(n)
    }

    /// Another, empty machine takes the place of one whose disk is of no more use.
    pub(super) fn replace(&mut self, n: usize) -> Sound {
        self.disk_lost(n)?;
        let (server, name) = (self.nodes[n].server, self.nodes[n].name.clone());
        let new: Node = self.machine(server, &name);
        self.nodes[n] = new;
        if !server {
            let home = n % self.servers;
            return self.new_tablet(n, home);
        }
        self.set_up_server(n)?;
        // The supervisor knows the old trailer: its series stay what they were.
        self.adopt_each_other()
    }

    /// What was on this disk and nowhere else is lost: noted, so that it alone may be missing.
    fn disk_lost(&mut self, n: usize) -> Sound {
        let mut elsewhere: BTreeSet<EntryHash> = BTreeSet::new();
        for other in (0..self.nodes.len()).filter(|o| *o != n) {
            elsewhere.extend(self.all_kept(other).into_iter().flatten());
        }
        // Whatever was promised and no other disk has: a damaged disk may show less than it promised.
        let lost: Vec<EntryHash> =
            self.model.acknowledged.keys().filter(|h| !elsewhere.contains(h) && !self.model.lost.contains(h)).copied().collect();
        self.figure.add("entries lost with the only disk they were on", lost.len() as u64);
        self.model.lost.extend(lost);
        for photo in self.model.photos.values_mut() {
            photo.at.remove(&n);
        }
        Ok(())
    }

    /// Every entry that a machine keeps, taken in or in quarantine; `None` where it cannot be read.
    pub fn all_kept(&mut self, n: usize) -> Option<BTreeSet<EntryHash>> {
        if self.nodes[n].gone || self.nodes[n].store.is_none() && self.nodes[n].drive.open().map(|s| self.nodes[n].store = Some(s)).is_err()
        {
            return None;
        }
        let mut all: BTreeSet<EntryHash> = self.holdings(n).ok()?.into_keys().collect();
        all.extend(self.store(n).quarantine().ok()?.into_iter().map(|q| q.hash));
        Some(all)
    }

    /// Photos whose bytes came with a copy.
    pub(super) fn photos_found(&mut self, n: usize) -> Sound {
        if self.nodes[n].store.is_none() {
            return Ok(());
        }
        let photos = self.nodes[n].store().photos().clone();
        for (hash, promise) in &mut self.model.photos {
            if photos.read(hash, Size::Full).is_ok_and(|bytes| bytes.is_some()) {
                promise.at.insert(n);
            }
        }
        Ok(())
    }

    /// The supervisor shuts a tablet out: what the server has counts, what comes later is kept apart.
    pub(super) fn shut_out(&mut self, n: usize, c: u32) -> Sound {
        let Some(server) = self.nodes[n].papers.home.as_ref().map(|h| h.server) else { return Ok(()) };
        // One tablet at least goes on.
        let left = self.nodes.iter().filter(|m| !m.server && !self.model.shut_out.contains_key(&m.series())).count();
        if left < 3 || !self.open(server)? {
            return Ok(());
        }
        let series = self.nodes[n].series();
        let head = match self.store(server).heads() {
            Ok(heads) => heads.seq(&series),
            Err(e) => return self.trouble(server, &e),
        };
        // Now and then the supervisor says that the last entries before the loss do not count either.
        let to = if c.is_multiple_of(4) { head.saturating_sub(u64::from(c >> 8) % 3) } else { head };
        let name = self.nodes[n].name.clone();
        let says = Standing { role: SeriesRole::Tablet, name, to: Some(to), reason: "lost on the scaffold".to_owned() };
        if self.state(server, &series, says)? {
            self.figure.add("fault: tablet shut out", 1);
            self.model.shut_out.insert(series, to);
            for s in 0..self.servers {
                self.nodes[s].papers.tokens.entry(series).and_modify(|good| *good = false);
            }
        }
        Ok(())
    }
}
