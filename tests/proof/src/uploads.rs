//! Photos that come in pieces over a network that cuts, repeats, reorders and lies: the exchange's rule over the real photo
//! files, on a disk in memory. A photo appears once and byte for byte, or not at all.

use crate::sim::rng::Rng;
use crate::{Budget, Figure};
use journal::PhotoHash;
use std::cell::RefCell;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;
use store::testkit::machine::{Machine, Tree};
use store::{Size, Store, StoreError, Upload};
use sync::server_side::{PhotoRule, photo_rule};

/// The photo that is cut at every byte.
const LONG: usize = 64 * 1024;
/// Cuts of an ordinary run.
const FEW_CUTS: usize = 2_400;
/// Plans of an ordinary run.
const FEW_PLANS: u64 = 400;
/// Bytes that may travel twice because of one cut: 1 MiB.
const AGAIN: usize = 1 << 20;
/// A disk is put away after so many bytes, and looked through.
const DISK_FULL_ENOUGH: usize = 24 << 20;
const FOLDER: &str = "/trailer";

/// How the sender goes on after a cut.
#[derive(Clone, Copy, Debug)]
enum Style {
    /// Asks where the trailer stands, as the tablet does.
    Ask,
    /// Sends everything again from the first byte.
    FromZero,
    /// Goes back a little, and sends each piece twice.
    Overlap,
}

const STYLES: [Style; 3] = [Style::Ask, Style::FromZero, Style::Overlap];

struct Photo {
    name: PhotoHash,
    bytes: Vec<u8>,
}

impl Photo {
    fn new(seed: u64, len: usize) -> Self {
        let mut bytes = vec![0; len];
        blake3::Hasher::new().update(&seed.to_le_bytes()).update(&len.to_le_bytes()).finalize_xof().fill(&mut bytes);
        Self { name: PhotoHash(*blake3::hash(&bytes).as_bytes()), bytes }
    }

    fn total(&self) -> u64 {
        self.bytes.len() as u64
    }
}

/// What the rule said of a piece; between looking and writing another request may come.
enum Look {
    Append { at: u64, skip: usize },
    Nothing,
    Refused,
}

/// The trailer's end of an upload, as its server does it.
struct Trailer {
    machine: Machine,
    store: Option<Store>,
    taken: usize,
    photos: usize,
}

impl Trailer {
    fn new() -> Self {
        let mut trailer = Self { machine: Machine::new(), store: None, taken: 0, photos: 0 };
        trailer.open();
        trailer
    }

    fn open(&mut self) {
        self.store = Some(Store::open(Path::new(FOLDER), self.machine.options()).expect("the store opens"));
    }

    fn store(&mut self) -> &mut Store {
        self.store.as_mut().expect("the store is open")
    }

    /// The program is killed and begins anew.
    fn restart(&mut self) {
        self.machine.kill();
        self.store = None;
        self.open();
    }

    fn held(&mut self, photo: &Photo) -> Upload {
        self.store().photos().upload_offset(&photo.name).expect("the disk tells")
    }

    fn look(&mut self, photo: &Photo, offset: u64, len: usize, total: u64) -> Look {
        let held = self.held(photo);
        if held.complete {
            return Look::Nothing;
        }
        match photo_rule(held.offset, offset, len, total) {
            PhotoRule::Append { skip } => Look::Append { at: held.offset, skip },
            PhotoRule::Finish | PhotoRule::Resync => Look::Nothing,
            PhotoRule::Refuse => Look::Refused,
        }
    }

    /// Carries out what was said of a piece; `None` where it was refused.
    fn carry_out(&mut self, photo: &Photo, look: &Look, piece: &[u8], total: u64) -> Option<Upload> {
        match look {
            Look::Refused => return None,
            Look::Nothing => {}
            Look::Append { at, skip } => match self.store().photos().upload_append(&photo.name, *at, &piece[*skip..]) {
                // Another request of the same photo was quicker.
                Ok(_) | Err(StoreError::UploadOffset { .. }) => {}
                Err(e) => panic!("a sound disk refuses a piece: {e}"),
            },
        }
        let held = self.held(photo);
        if !held.complete && held.offset >= total {
            match self.store().upload_finish(&photo.name) {
                Ok(()) | Err(StoreError::UploadHash) => {}
                Err(e) => panic!("a sound disk refuses to finish: {e}"),
            }
        }
        Some(self.held(photo))
    }

    fn put(&mut self, photo: &Photo, offset: usize, piece: &[u8], total: u64) -> Option<Upload> {
        let look = self.look(photo, offset as u64, piece.len(), total);
        self.carry_out(photo, &look, piece, total)
    }

    /// A piece of the photo's own bytes.
    fn own(&mut self, photo: &Photo, from: usize, to: usize) -> Upload {
        self.put(photo, from, &photo.bytes[from..to], photo.total()).expect("an honest piece is not refused")
    }

    fn shown(&mut self, photo: &Photo) -> Result<Option<Vec<u8>>, String> {
        self.store().photos().read(&photo.name, Size::Full).map_err(|e| format!("it cannot be read: {e}"))
    }

    /// Whole and byte for byte, and sending it again changes nothing.
    fn check_there(&mut self, photo: &Photo) -> Result<(), String> {
        if self.shown(photo)?.as_deref() != Some(&photo.bytes[..]) {
            return Err("it is not there byte for byte".into());
        }
        let end = Upload { offset: photo.total(), complete: true };
        let again = self.own(photo, photo.bytes.len().saturating_sub(777), photo.bytes.len());
        if again != end || self.held(photo) != end {
            return Err(format!("sent again it stands at {again:?}"));
        }
        self.photos += 1;
        self.taken += photo.bytes.len();
        Ok(())
    }

    /// Every file of the disk: photos are what their names say, each once, and nothing half is left. Then a new disk.
    fn look_through(&mut self) -> Result<(), String> {
        self.store = None;
        let mut there = 0;
        for (path, bytes) in self.machine.image().files() {
            let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
            match PhotoHash::from_hex(name) {
                Some(hash) if blake3::hash(&bytes).as_bytes() == &hash.0 => there += 1,
                Some(hash) => return Err(format!("{hash} lies there half or wrong at {}", path.display())),
                None => {}
            }
        }
        if there != self.photos {
            return Err(format!("{} photos were sent and {there} files of photos lie there", self.photos));
        }
        self.machine.load(&Tree::default());
        (self.taken, self.photos) = (0, 0);
        self.open();
        Ok(())
    }
}

thread_local! {
    static TRAILER: RefCell<Option<Trailer>> = const { RefCell::new(None) };
}

/// Gives this thread's trailer, with a disk that is not too full.
fn with_trailer(case: impl FnOnce(&mut Trailer) -> Result<(), String>) -> Result<(), String> {
    TRAILER.with_borrow_mut(|slot| {
        let trailer = slot.get_or_insert_with(Trailer::new);
        let result = case(trailer).and_then(|()| if trailer.taken > DISK_FULL_ENOUGH { trailer.look_through() } else { Ok(()) });
        if result.is_err() {
            *slot = None;
        }
        result
    })
}

/// Looks through what the last cases of this thread left.
fn end_thread() -> Result<(), String> {
    TRAILER.with_borrow_mut(|slot| slot.take().map_or(Ok(()), |mut trailer| trailer.look_through()))
}

/// Proves it.
pub fn part(budget: &Budget) -> Figure {
    let mut figure = cuts(budget);
    figure.join(plans(budget));
    figure.notes.push("The trailer's rule and its photo files are the real ones, called in process: what is not covered here is HTTP and TLS around them.".into());
    figure
}

fn cuts(budget: &Budget) -> Figure {
    let whole = LONG * STYLES.len();
    let wanted = if budget.all { whole } else { budget.count.map_or(FEW_CUTS, |n| usize::try_from(n).unwrap_or(whole)).min(whole) };
    let next = AtomicUsize::new(0);
    let all = Mutex::new(Figure::default());
    let work = || {
        let (start, mut figure) = (Instant::now(), Figure::default());
        loop {
            let n = next.fetch_add(1, Ordering::Relaxed);
            if n >= wanted || figure.failures.len() >= 10 {
                break;
            }
            // A sample is spread over all bytes and styles; the first and the last byte are always in it.
            let case = if wanted == whole || n < STYLES.len() { n } else { spread(budget, n, whole) };
            let (cut, style) = (1 + case / STYLES.len(), STYLES[case % STYLES.len()]);
            let cut = if wanted < whole && n / STYLES.len() == 1 { LONG } else { cut };
            if let Err(wrong) = with_trailer(|trailer| cut_case(trailer, budget.seed, cut, style, n, &mut figure)) {
                figure.failures.push(format!("cut after byte {cut}, {style:?}: {wrong}; again: --seed {} --count {}", budget.seed, n + 1));
            }
        }
        if let Err(wrong) = end_thread() {
            figure.failures.push(format!("after all cuts: {wrong}"));
        }
        figure.cpu_s = start.elapsed().as_secs_f64();
        all.lock().unwrap().join(figure);
    };
    std::thread::scope(|scope| {
        scope.spawn(work);
        work();
    });
    all.into_inner().unwrap()
}

fn spread(budget: &Budget, n: usize, whole: usize) -> usize {
    (budget.case(n as u64) % whole as u64) as usize
}

/// The line breaks when `cut` bytes are on the trailer's disk, and the answer is lost.
fn cut_case(trailer: &mut Trailer, seed: u64, cut: usize, style: Style, n: usize, figure: &mut Figure) -> Result<(), String> {
    let photo = Photo::new(seed ^ ((n as u64) << 8), LONG);
    trailer.own(&photo, 0, cut);
    let mut sent = cut;
    if n.is_multiple_of(61) {
        trailer.restart();
        figure.add("cuts with a restart of the trailer", 1);
    }
    let held = trailer.held(&photo);
    if held != (Upload { offset: cut as u64, complete: cut == LONG }) {
        return Err(format!("the trailer holds {held:?}: what had come is begun anew"));
    }
    if cut < LONG && trailer.shown(&photo)?.is_some() {
        return Err("half a photo is shown".into());
    }
    let at = usize::try_from(held.offset).unwrap();
    let (from, piece, times) = match style {
        Style::Ask => (at, 16 * 1024, 1),
        Style::FromZero => (0, LONG, 1),
        Style::Overlap => (at.saturating_sub(997), 8 * 1024, 2),
    };
    for from in (from..LONG).step_by(piece) {
        let to = (from + piece).min(LONG);
        for _ in 0..times {
            trailer.own(&photo, from, to);
            sent += to - from;
        }
    }
    trailer.check_there(&photo)?;
    let again = sent - LONG;
    figure.add("cuts, each resumed", 1);
    figure.add("bytes sent twice after cuts", again as u64);
    if again > AGAIN { Err(format!("{again} bytes were sent twice")) } else { Ok(()) }
}

fn plans(budget: &Budget) -> Figure {
    crate::sim::two_threads(budget, "random plans", FEW_PLANS, |seed, figure| {
        let result = with_trailer(|trailer| plan(trailer, seed, figure));
        // Each plan's disk is looked through now and then, and at the end of each plan that failed.
        let result = if seed % 97 == 0 { result.and_then(|()| end_thread()) } else { result };
        figure.add("random plans", 1);
        result.err().map(|wrong| format!("a plan of pieces: {wrong}"))
    })
}

/// What a sender may do, by how often.
#[derive(Clone, Copy, Debug)]
enum Act {
    Next,
    Twice,
    Later,
    Earlier,
    Empty,
    Beyond,
    WrongLength,
    WrongBytes,
    TwoAtOnce,
    Restart,
}

const ACTS: [(usize, Act); 10] = [
    (30, Act::Next),
    (10, Act::Twice),
    (10, Act::Later),
    (15, Act::Earlier),
    (4, Act::Empty),
    (4, Act::Beyond),
    (3, Act::WrongLength),
    (4, Act::WrongBytes),
    (10, Act::TwoAtOnce),
    (2, Act::Restart),
];

fn plan(trailer: &mut Trailer, seed: u64, figure: &mut Figure) -> Result<(), String> {
    let mut rng = Rng::new(seed);
    let photo = Photo::new(seed, 1 + rng.below(180_000));
    let len = photo.bytes.len();
    // Once bytes or lengths were lied about, the trailer may have to drop what it holds: only the hash tells.
    let mut honest = true;
    for _ in 0..1 + rng.below(25) {
        let before = trailer.held(&photo);
        let act = rng.weighted(&ACTS);
        figure.add("pieces and other acts of plans", 1);
        honest &= !matches!(act, Act::WrongLength | Act::WrongBytes);
        perform(trailer, &photo, act, &mut rng)?;
        let after = trailer.held(&photo);
        if honest && (after.offset < before.offset || before.complete && !after.complete) {
            return Err(format!("{act:?} took it from {before:?} back to {after:?}"));
        }
        if let Some(shown) = trailer.shown(&photo)?
            && shown != photo.bytes
        {
            return Err(format!("after {act:?} other bytes are shown under its name"));
        }
        if after.complete != trailer.shown(&photo)?.is_some() {
            return Err(format!("after {act:?} it is told as {after:?}, but the photo says otherwise"));
        }
    }
    figure.add(if honest { "plans with honest bytes" } else { "plans with wrong bytes or lengths" }, 1);
    // Now the tablet sends it as it does.
    let (mut begun_anew, mut sent) = (0, 0);
    let start = usize::try_from(trailer.held(&photo).offset).unwrap().min(len);
    let mut held = trailer.held(&photo);
    while !held.complete {
        let at = usize::try_from(held.offset).unwrap();
        let at = if at >= len { 0 } else { at };
        let to = (at + 60_000).min(len);
        sent += to - at;
        held = trailer.own(&photo, at, to);
        if !held.complete && held.offset <= at as u64 {
            begun_anew += 1;
            if begun_anew > 2 {
                return Err(format!("it never comes through: {held:?}"));
            }
        }
    }
    if honest && sent != len - start {
        return Err(format!("{start} of {len} bytes had come and {sent} were sent after that"));
    }
    figure.add("photos begun anew because their bytes were wrong", begun_anew);
    trailer.check_there(&photo)
}

fn perform(trailer: &mut Trailer, photo: &Photo, act: Act, rng: &mut Rng) -> Result<(), String> {
    let len = photo.bytes.len();
    let at = usize::try_from(trailer.held(photo).offset).unwrap().min(len);
    let to = (at + 1 + rng.below(40_000)).min(len);
    match act {
        Act::Next => drop(trailer.own(photo, at, to)),
        Act::Twice => {
            trailer.own(photo, at, to);
            trailer.own(photo, at, to);
        }
        Act::Later => {
            let from = (at + 1 + rng.below(30_000)).min(len);
            trailer.own(photo, from, (from + 1 + rng.below(30_000)).min(len));
        }
        Act::Earlier => {
            let from = at - rng.below(at + 1);
            trailer.own(photo, from, to);
        }
        Act::Empty => drop(trailer.own(photo, at, at)),
        Act::Beyond => {
            let piece = vec![0; 1 + rng.below(5_000)];
            // Where the photo is there whole already, any piece of it is answered with that.
            let there = trailer.held(photo).complete;
            if trailer.put(photo, len, &piece, photo.total()).is_some() != there {
                return Err("a piece beyond the end is answered wrongly".into());
            }
        }
        Act::WrongLength => {
            let total = 1 + rng.below(2 * len) as u64;
            let to = to.min(usize::try_from(total).unwrap());
            trailer.put(photo, at.min(to), &photo.bytes[at.min(to)..to], total);
        }
        Act::WrongBytes => {
            let mut piece = photo.bytes[at..to].to_vec();
            if let Some(byte) = piece.first_mut() {
                *byte ^= 1;
            }
            trailer.put(photo, at, &piece, photo.total());
        }
        Act::TwoAtOnce => {
            // Both look before either writes; the second is shorter or longer.
            let other = (at + 1 + rng.below(40_000)).min(len);
            let looks = [trailer.look(photo, at as u64, to - at, photo.total()), trailer.look(photo, at as u64, other - at, photo.total())];
            for (look, to) in looks.iter().zip([to, other]) {
                trailer.carry_out(photo, look, &photo.bytes[at..to], photo.total());
            }
        }
        Act::Restart => trailer.restart(),
    }
    Ok(())
}
