//! A schedule: who does what, and what goes wrong. Made from one number; every step carries its own chance, so that any
//! steps can be left out and the others still do what they did.

use crate::sim::rng::Rng;
use serde::{Deserialize, Serialize};

/// One step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Op {
    /// A person opens a job on a tablet.
    Open(u8, u32),
    /// Records one field or list item.
    Record(u8, u32),
    /// Fills all steps up to one, as a crew does in a shift.
    Fill(u8, u32),
    /// Takes a photo and names it.
    Photo(u8, u32),
    /// Strikes an item.
    Strike(u8, u32),
    /// Settles two answers.
    Settle(u8, u32),
    /// Signs or waives a hold point.
    Sign(u8, u32),
    /// A later program on this tablet writes what the others do not know.
    Later(u8, u32),
    /// The supervisor settles two answers on the board.
    Board(u8, u32),
    /// The plan is changed on the server.
    Plan(u8, u32),
    /// A tablet exchanges so many messages with its server.
    Sync(u8, u8, u32),
    /// A request that was on its way for long arrives.
    Late(u32),
    /// The link of a tablet: 0 good, 1 down, 2 answers are lost, 3 slow.
    Link(u8, u8),
    /// The power of a machine goes, now.
    Cut(u8, u32),
    /// Its program is killed and begins anew.
    Kill(u8),
    /// A call to its disk goes wrong soon: after how many, and how (0 error once, 1 errors for ever, 2 half a write, 3 full).
    Fail(u8, u16, u8),
    /// There is room on its disk again.
    Room(u8),
    /// Its clock jumps, or stands still.
    Clock(u8, u32),
    /// A bit of a photo on its disk turns over.
    FlipPhoto(u8, u32),
    /// A byte of its database turns over.
    FlipPage(u8, u32),
    /// A copy of its disk is put away.
    Backup(u8),
    /// It is set back to the copy.
    Restore(u8),
    /// A second tablet gets a copy of this one's disk.
    Clone(u8),
    /// Its disk is gone for good.
    Lose(u8),
    /// The supervisor shuts a tablet out.
    Revoke(u8, u32),
    /// A tablet is paired with the other server.
    Move(u8),
    /// Both servers exchange what they have.
    Bundle,
    /// Somebody sends what was made to harm.
    Hostile(u8, u32),
    /// Faults stop, everybody syncs, everything is checked.
    Quiet,
}

/// A schedule.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Script {
    /// Keys and site come from it.
    pub seed: u64,
    /// Tablets to begin with.
    pub tablets: u8,
    /// True with a second server.
    pub two_servers: bool,
    /// How many of 100 messages meet with something.
    pub bad_net: u8,
    /// The steps.
    pub ops: Vec<Op>,
}

/// How long schedules are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Length {
    /// Three tablets, 30 to 90 steps.
    Short,
    /// As chance has it: mostly short, some up to twelve tablets and 2,000 steps.
    Mixed,
}

/// Groups of faults; each schedule has some of them, so that each meets the others in all combinations.
const MOODS: usize = 9;

impl Script {
    /// The schedule of a seed.
    pub fn new(seed: u64, length: Length) -> Self {
        let mut rng = Rng::new(seed);
        let size = rng.below(1000);
        let (tablets, steps) = match (length, size) {
            (Length::Short, _) | (_, 0..900) => (3, 30 + rng.below(60)),
            (_, 900..980) => (4 + rng.below(3), 120 + rng.below(180)),
            (_, 980..998) => (6 + rng.below(4), 300 + rng.below(400)),
            _ => (10 + rng.below(3), 1000 + rng.below(1001)),
        };
        let mut moods = [false; MOODS];
        moods.iter_mut().for_each(|m| *m = rng.percent(45));
        let bad_net = if moods[0] { rng.below(50) as u8 } else { 0 };
        let mut script = Self { seed, tablets: tablets as u8, two_servers: rng.percent(30), bad_net, ops: Vec::new() };
        for _ in 0..steps {
            let op = script.step(&moods, &mut rng);
            script.ops.push(op);
        }
        script
    }

    fn step(&self, moods: &[bool; MOODS], rng: &mut Rng) -> Op {
        let t = rng.below(usize::from(self.tablets)) as u8;
        let s = rng.below(1 + usize::from(self.two_servers)) as u8;
        // Machines are counted from the servers on.
        let any = if rng.percent(25) { s } else { 2 + t };
        let c = rng.next() as u32;
        let on = |mood: usize, weight: usize| if moods[mood] { weight } else { 0 };
        let few = rng.below(24) as u8;
        rng.weighted(&[
            (60, Op::Record(t, c)),
            (2, Op::Open(t, c)),
            (14, Op::Fill(t, c)),
            (14, Op::Photo(t, c)),
            (8, Op::Strike(t, c)),
            (14, Op::Settle(t, c)),
            (26, Op::Sign(t, c)),
            (3, Op::Board(s, c)),
            (2, Op::Plan(s, c)),
            (60, Op::Sync(t, 1 + few, c)),
            (4, Op::Kill(any)),
            (1, Op::Quiet),
            (if self.two_servers { 3 } else { 0 }, Op::Bundle),
            (if self.two_servers { 3 } else { 0 }, Op::Move(t)),
            (on(0, 8), Op::Late(c)),
            (on(0, 6), Op::Link(t, (c % 4) as u8)),
            (on(1, 8), Op::Cut(any, c)),
            (on(1, 12), Op::Fail(any, (c % 400) as u16, (c % 3) as u8)),
            (on(2, 6), Op::Fail(any, (c % 60) as u16, 3)),
            (on(2, 8), Op::Room(any)),
            (on(3, 10), Op::Clock(any, c)),
            (on(4, 6), Op::Later(t, c)),
            (on(5, 4), Op::Backup(any)),
            (on(5, 2), Op::Restore(any)),
            (on(6, 2), Op::Clone(t)),
            (on(6, 2), Op::Revoke(t, c)),
            (on(7, 2), Op::Lose(any)),
            (on(7, 2), Op::FlipPhoto(any, c)),
            (on(7, 2), Op::FlipPage(any, c)),
            (on(8, 10), Op::Hostile(s, c)),
        ])
    }

    /// Steps of each name.
    pub fn name(op: &Op) -> String {
        let text = format!("{op:?}");
        text.split(['(', ' ']).next().unwrap_or_default().to_owned()
    }
}
