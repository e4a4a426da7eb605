//! Who belongs to the site: servers that begin and speak for each other, tablets that are paired, what they believe.

use crate::sim::folds::PLAN;
use crate::sim::node::{Home, Node};
use crate::sim::planted::Planted;
use crate::sim::world::{Sound, World, draft};
use job::standing::{self, ALL, SeriesRole, Standing};
use journal::{Draft, Incarnation};
use std::collections::BTreeSet;

impl World {
    /// A server begins: its series, the plan, and that the series of the servers before it are a server's.
    ///
    /// # Errors
    /// As [`World::say`].
    pub fn set_up_server(&mut self, n: usize) -> Sound {
        self.open(n)?;
        let Node { name, papers, .. } = &self.nodes[n];
        let begin = Draft::series_begin(papers.device, &papers.key, name, "server");
        let plan = draft("site/plan", "site-plan", &serde_json::to_value(&*PLAN).expect("a plan is plain"), Vec::new());
        let trust = self.nodes[n].trust();
        let site = self.store(n).set_site(PLAN.site).and_then(|()| self.store(n).set_trust(&trust));
        site.map_err(|e| format!("a new server does not begin: {e}"))?;
        self.say(n, "nobody", vec![begin, plan])?;
        Ok(())
    }

    /// Every server says of every series of other servers, also of those that were lost, that it is a server's.
    ///
    /// # Errors
    /// As [`World::say`].
    pub fn adopt_each_other(&mut self) -> Sound {
        for n in 0..self.servers {
            let all: Vec<(Incarnation, String)> = self.nodes[n].papers.own.iter().map(|i| (*i, self.nodes[n].name.clone())).collect();
            self.model.servers.extend(all);
        }
        for n in 0..self.servers {
            let others = self.model.servers.clone().into_iter().filter(|(series, _)| !self.nodes[n].papers.own.contains(series));
            let others: Vec<(Incarnation, String)> = others.collect();
            for (series, name) in others {
                self.state(n, &series, Standing { role: SeriesRole::Server, name, to: None, reason: String::new() })?;
            }
        }
        Ok(())
    }

    /// A server says how a series stands, unless it has said so.
    ///
    /// # Errors
    /// As [`World::say`].
    pub fn state(&mut self, n: usize, series: &Incarnation, says: Standing) -> Sound<bool> {
        if !self.open(n)? {
            return Ok(false);
        }
        let states = match self.store(n).series_states() {
            Ok(states) => states,
            Err(e) => return self.trouble(n, &e).map(|()| false),
        };
        let now = states.iter().find(|s| s.incarnation == *series);
        let said = now.map(|s| s.said.clone()).unwrap_or_default();
        if now.is_some_and(|s| !s.said.is_empty() && s.counts_to == says.to.unwrap_or(ALL) && s.role == says.role.code()) {
            return Ok(true);
        }
        let Some(draft) = standing::draft(series, &says, said) else { return Ok(false) };
        Ok(self.say(n, "m-diaz", vec![draft])?.is_some())
    }

    /// A tablet fresh from its box is paired and begins its series.
    ///
    /// # Errors
    /// As [`World::say`].
    pub fn new_tablet(&mut self, n: usize, server: usize) -> Sound {
        self.open(n)?;
        self.store(n).set_site(PLAN.site).map_err(|e| format!("a new tablet does not begin: {e}"))?;
        self.begin(n)?;
        self.pair(n, server)?;
        Ok(())
    }

    /// Writes the first entry of the series that the machine's key signs now.
    ///
    /// # Errors
    /// As [`World::say`].
    pub fn begin(&mut self, n: usize) -> Sound<bool> {
        let trust = self.nodes[n].trust();
        let believing = self.nodes[n].server || self.way.planted != Some(Planted::CountApart);
        if let Err(e) = if believing { self.store(n).set_trust(&trust) } else { Ok(()) } {
            self.trouble(n, &e)?;
            return Ok(false);
        }
        let Node { name, papers, server, .. } = &self.nodes[n];
        let role = if *server { "server" } else { "tablet" };
        let begin = Draft::series_begin(papers.device, &papers.key, name, role);
        Ok(self.say(n, "nobody", vec![begin])?.is_some())
    }

    /// A tablet that was set back or copied goes on in a series of its own.
    ///
    /// # Errors
    /// As [`World::say`].
    pub fn new_series(&mut self, n: usize) -> Sound {
        self.figure.add("new series after a copy or a setting back", 1);
        let key = self.fresh_key();
        let series = Incarnation::of(&key.public());
        let node = &mut self.nodes[n];
        let base = node.name.split('-').next().unwrap_or_default().to_owned();
        node.name = format!("{base}-{}", series.to_hex()[..3].to_uppercase());
        node.papers.key = key;
        node.papers.own.insert(series);
        node.papers.home = None;
        node.session = None;
        self.begin(n)?;
        Ok(())
    }

    /// Pairs a tablet with a server: the code is right. Gives false where it did not come about.
    ///
    /// # Errors
    /// As [`World::say`].
    pub fn pair(&mut self, n: usize, server: usize) -> Sound<bool> {
        if !self.open(n)? || !self.open(server)? {
            return Ok(false);
        }
        let series = self.nodes[n].series();
        // The series may not even have begun, where the disk refused its first entry.
        let begun = self.nodes[n].durable.contains_key(&series) || self.begin(n)?;
        if !begun || self.model.shut_out.contains_key(&series) || self.nodes[n].gone || self.nodes[n].store.is_none() {
            return Ok(false);
        }
        let name = self.nodes[n].name.clone();
        let says = Standing { role: SeriesRole::Tablet, name, to: None, reason: String::new() };
        if !self.state(server, &series, says)? || self.nodes[server].store.is_none() {
            return Ok(false);
        }
        self.figure.add("pairings", 1);
        self.nodes[server].papers.tokens.insert(series, true);
        let identity = self.nodes[server].papers.identity.public();
        self.nodes[n].papers.home = Some(Home { server, key: identity, series, roots: BTreeSet::new() });
        self.nodes[n].session = None;
        let believed = self.believe(n, &[])?;
        if !believed {
            // The disk did not take it: nothing was paired, and the next try begins anew.
            self.nodes[n].papers.home = None;
        }
        Ok(believed)
    }

    /// Tells a tablet's store which series its server writes in: the identity's own, and those that it certified.
    ///
    /// # Errors
    /// As [`World::trouble`].
    pub fn believe(&mut self, n: usize, certified: &[Incarnation]) -> Sound<bool> {
        if let Some(home) = &mut self.nodes[n].papers.home {
            home.roots = certified.iter().copied().chain([Incarnation::of(&home.key)]).collect();
        }
        if self.way.planted == Some(Planted::CountApart) {
            return Ok(true);
        }
        let trust = self.nodes[n].trust();
        match self.store(n).set_trust(&trust) {
            Ok(()) => {
                self.nodes[n].drive.follow();
                Ok(true)
            }
            Err(e) => self.trouble(n, &e).map(|()| false),
        }
    }

    /// Both servers give each other all they have, as by an export carried over.
    ///
    /// # Errors
    /// Where entries do not pass.
    pub fn bundle(&mut self) -> Sound {
        if self.servers < 2 {
            return Ok(());
        }
        for (from, to) in [(0, 1), (1, 0)] {
            if !self.open(from)? || !self.open(to)? {
                return Ok(());
            }
            let mut file = Vec::new();
            if let Err(e) = self.store(from).export(&mut file) {
                self.trouble(from, &e)?;
                continue;
            }
            let imported = self.store(to).import_from(file.as_slice());
            self.nodes[from].drive.follow();
            match imported {
                Ok(_) => self.kept(to)?,
                Err(e) => self.trouble(to, &e)?,
            }
            self.photos_found(to)?;
        }
        self.figure.add("bundles between servers", 1);
        Ok(())
    }
}
