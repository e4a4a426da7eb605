//! Two ends in memory: a tablet behind [`Local`], and a trailer built from the server's own pure rules.
#![allow(dead_code)]

use job::Say;
use journal::{
    BootId, DeviceId, Draft, EntryHash, Heads, Incarnation, PersonId, PhotoHash, Sealed, SigningKey, SiteId, Stamp, Subject, Tail, Value,
    VerifyingKey, Writer,
};
use std::collections::{BTreeMap, BTreeSet};
use sync::exchange::{Exchange, Outcome, Reply, Step};
use sync::message::{DoneReply, PhotoReply};
use sync::server_side::{self, Holds, PhotoRule};
use sync::wire::Unread;
use sync::{AcceptReport, CertifiedSeries, Clock, EntriesReceipt, Local, PhotoReceipt, SyncError, wire};

pub const SITE: SiteId = SiteId([0x51; 16]);
pub const NOW: i64 = 1_780_000_000_000;
pub const CLOCK: Clock = Clock { wall_ms: NOW, boot: BootId([1; 16]), uptime_ms: 7000 };

pub fn key(n: u8) -> SigningKey {
    SigningKey::from_seed([n; 32])
}

pub fn photo_hash(bytes: &[u8]) -> PhotoHash {
    PhotoHash(*blake3::hash(bytes).as_bytes())
}

/// A journal in memory that merges the way the store does: whole verified transactions, faults apart.
#[derive(Clone, Default)]
pub struct Books {
    pub series: BTreeMap<Incarnation, (Tail, Vec<Sealed>)>,
    pub quarantine: BTreeMap<EntryHash, Sealed>,
    /// How often each entry was newly stored: must never pass 1.
    pub stored: BTreeMap<EntryHash, u32>,
}

// `Tail` has no default: a map entry is made when its series first appears.
impl Books {
    pub fn heads(&self) -> Heads {
        self.series.iter().filter_map(|(inc, (tail, _))| Some((*inc, tail.head()?))).collect()
    }

    pub fn read(&self, incarnation: &Incarnation, from: u64, max: usize) -> Vec<Sealed> {
        let Some((_, all)) = self.series.get(incarnation) else { return Vec::new() };
        let (mut out, mut whole, mut bytes) = (Vec::new(), 0, 0);
        for sealed in all.iter().filter(|s| s.entry.seq >= from) {
            bytes += sealed.bytes.len();
            if bytes > max && whole > 0 {
                break;
            }
            out.push(sealed.clone());
            if sealed.entry.tx_left == 0 {
                whole = out.len();
            }
        }
        out.truncate(whole);
        out
    }

    pub fn accept(&mut self, entries: Vec<Sealed>) -> AcceptReport {
        let mut report = AcceptReport::default();
        let mut groups: BTreeMap<Incarnation, Vec<Sealed>> = BTreeMap::new();
        for sealed in entries {
            groups.entry(sealed.entry.incarnation).or_default().push(sealed);
        }
        for (incarnation, group) in groups {
            let (tail, all) = self.series.entry(incarnation).or_insert_with(|| (Tail::new(SITE, incarnation), Vec::new()));
            let here = |s: &Sealed| all.get(s.entry.seq as usize - 1).map(|h| h.hash == s.hash);
            let (known, rest): (Vec<_>, Vec<_>) = group.into_iter().partition(|s| here(s) == Some(true));
            report.known += known.len() as u64;
            let (accepted, fault) = tail.accept_all(&rest);
            report.stored += accepted as u64;
            for sealed in &rest[..accepted] {
                *self.stored.entry(sealed.hash).or_default() += 1;
                all.push(sealed.clone());
            }
            for sealed in &rest[accepted..] {
                let why = fault.as_ref().map_or_else(String::new, ToString::to_string);
                report.quarantined.push((sealed.hash, why));
                self.quarantine.insert(sealed.hash, sealed.clone());
            }
            if all.is_empty() {
                self.series.remove(&incarnation);
            }
        }
        report
    }
}

/// A tablet in memory.
#[derive(Clone)]
pub struct Tablet {
    pub books: Books,
    pub key: SigningKey,
    pub writer: Writer,
    pub photos: BTreeMap<PhotoHash, Vec<u8>>,
    pub photo_receipts: BTreeMap<PhotoHash, PhotoReceipt>,
    pub receipts: Vec<EntriesReceipt>,
    /// Photos whose file can't be read.
    pub unreadable: BTreeSet<PhotoHash>,
    /// Entries kept without being readable.
    pub unread: Vec<Unread>,
    /// Series of the trailer, as told.
    pub server_series: Vec<VerifyingKey>,
    /// A series whose records are damaged from this entry on.
    pub damaged: Option<(Incarnation, u64)>,
}

/// Keeps those that are not kept yet.
pub fn keep(kept: &mut Vec<Unread>, entries: Vec<Unread>) -> u64 {
    let before = kept.len();
    for entry in entries {
        if !kept.contains(&entry) {
            kept.push(entry);
        }
    }
    (kept.len() - before) as u64
}

fn named(kept: &[Unread], names: &[EntryHash], max: usize) -> Vec<Unread> {
    let piece = |from: u64| {
        let next = kept.iter().enumerate().skip(from as usize).take(2);
        Ok::<_, ()>(next.map(|(id, u)| (id as u64, u.clone())).collect())
    };
    sync::kept::named(names, max, piece).expect("in memory")
}

/// An entry of a later format: the bytes of a good one with another format number.
pub fn of_a_later_format(entry: &Sealed) -> Unread {
    let mut bytes = entry.bytes.clone();
    bytes[2] = 2;
    assert!(Sealed::open(bytes.clone(), entry.sig).is_err());
    Unread { bytes, sig: entry.sig }
}

impl Tablet {
    pub fn new(n: u8) -> Self {
        let key = key(n);
        let incarnation = Incarnation::of(&key.public());
        let device = DeviceId([n; 16]);
        let mut tablet = Self {
            books: Books::default(),
            writer: Writer::new(SITE, device, incarnation, None, 0),
            key,
            photos: BTreeMap::new(),
            photo_receipts: BTreeMap::new(),
            receipts: Vec::new(),
            unreadable: BTreeSet::new(),
            unread: Vec::new(),
            server_series: Vec::new(),
            damaged: None,
        };
        let begin = Draft::series_begin(device, &tablet.key, "K4", "tablet");
        tablet.write_drafts(vec![begin]);
        tablet
    }

    pub fn incarnation(&self) -> Incarnation {
        self.writer.incarnation()
    }

    fn write_drafts(&mut self, drafts: Vec<Draft>) {
        let stamp = Stamp { wall_ms: NOW, boot: BootId([1; 16]), uptime_ms: 1, person: PersonId("ana-r".into()) };
        let tx = self.writer.transaction(&stamp, drafts, &self.key).expect("written");
        assert_eq!(self.books.accept(tx.clone()).stored, tx.len() as u64);
        self.writer.advance(&tx);
    }

    /// One transaction of `size` entries of about `bytes` bytes each.
    pub fn write(&mut self, size: usize, bytes: usize) {
        let draft = |n: usize| Draft {
            kind: "note".into(),
            version: 1,
            subject: Subject(format!("job/j1/notes/{n}")),
            basis: vec![],
            body: Value::Bytes(vec![n as u8; bytes]),
        };
        self.write_drafts((0..size).map(draft).collect());
    }

    pub fn photograph(&mut self, len: usize, seed: u8) -> PhotoHash {
        let mut bytes = vec![0; len];
        blake3::Hasher::new().update(&[seed]).finalize_xof().fill(&mut bytes);
        let hash = photo_hash(&bytes);
        self.photos.insert(hash, bytes);
        hash
    }
}

impl Local for Tablet {
    fn heads(&self) -> Result<Heads, Say> {
        Ok(self.books.heads())
    }
    fn own(&self) -> Result<(Incarnation, u64), Say> {
        Ok((self.incarnation(), self.books.heads().seq(&self.incarnation())))
    }
    fn read(&self, incarnation: &Incarnation, from_seq: u64, max_bytes: usize) -> Result<Vec<Sealed>, Say> {
        if self.damaged.is_some_and(|(series, seq)| series == *incarnation && from_seq >= seq) {
            return Err(Say::new("damaged", "a record on the disk is damaged"));
        }
        Ok(self.books.read(incarnation, from_seq, max_bytes))
    }
    fn unread(&self) -> Result<Vec<EntryHash>, Say> {
        Ok(self.unread.iter().map(Unread::name).collect())
    }
    fn read_unread(&self, names: &[EntryHash], max_bytes: usize) -> Result<Vec<Unread>, Say> {
        Ok(named(&self.unread, names, max_bytes))
    }
    fn keep_unread(&mut self, entries: Vec<Unread>) -> Result<u64, Say> {
        Ok(keep(&mut self.unread, entries))
    }
    fn server_series(&mut self, keys: &[VerifyingKey]) -> Result<(), Say> {
        self.server_series = keys.to_vec();
        Ok(())
    }
    fn accept(&mut self, entries: Vec<Sealed>) -> Result<AcceptReport, Say> {
        Ok(self.books.accept(entries))
    }
    fn photos_waiting(&self) -> Result<Vec<(PhotoHash, u64)>, Say> {
        let waiting = self.photos.iter().filter(|(hash, _)| !self.photo_receipts.contains_key(hash));
        Ok(waiting.map(|(hash, bytes)| (*hash, bytes.len() as u64)).collect())
    }
    fn photo_len(&self, photo: &PhotoHash) -> Result<Option<u64>, Say> {
        Ok(self.photos.get(photo).map(|bytes| bytes.len() as u64))
    }
    fn photo_piece(&self, photo: &PhotoHash, offset: u64, len: usize) -> Result<Vec<u8>, Say> {
        if self.unreadable.contains(photo) {
            return Err(Say::new("photo-file", "the photo's file can't be read"));
        }
        let bytes = &self.photos[photo][offset as usize..];
        Ok(bytes[..len.min(bytes.len())].to_vec())
    }
    fn photo_received(&mut self, receipt: PhotoReceipt) -> Result<(), Say> {
        self.photo_receipts.insert(receipt.photo, receipt);
        Ok(())
    }
    fn receipt(&mut self, receipt: EntriesReceipt) -> Result<(), Say> {
        self.receipts.push(receipt);
        Ok(())
    }
}

/// The trailer in memory: the server's pure rules over books and photo files.
#[derive(Clone)]
pub struct Trailer {
    pub books: Books,
    pub key: SigningKey,
    pub photos: BTreeMap<PhotoHash, Vec<u8>>,
    pub parts: BTreeMap<PhotoHash, Vec<u8>>,
    pub wanted: Vec<PhotoHash>,
    pub heard: Vec<sync::message::Done>,
    pub pieces: usize,
    pub unread: Vec<Unread>,
    pub series: Vec<CertifiedSeries>,
    /// Bytes of what came in and of what went out, and the largest of each.
    pub traffic: Traffic,
}

#[derive(Clone, Copy, Debug, Default)]
pub struct Traffic {
    pub came: usize,
    pub went: usize,
    pub largest_came: usize,
    pub largest_went: usize,
}

impl Traffic {
    fn note(&mut self, came: usize, went: usize) {
        self.came += came;
        self.went += went;
        self.largest_came = self.largest_came.max(came);
        self.largest_went = self.largest_went.max(went);
    }
}

impl Default for Trailer {
    fn default() -> Self {
        Self {
            books: Books::default(),
            key: key(200),
            photos: BTreeMap::new(),
            parts: BTreeMap::new(),
            wanted: Vec::new(),
            heard: Vec::new(),
            pieces: 0,
            unread: Vec::new(),
            series: Vec::new(),
            traffic: Traffic::default(),
        }
    }
}

impl Trailer {
    /// Answers as the server does, through the bytes of the wire both ways.
    pub fn answer(&mut self, step: &Step) -> Reply {
        match step {
            Step::Hello(hello) => {
                let asked = serde_json::to_vec(hello).expect("json");
                let hello = serde_json::from_slice(&asked).expect("json");
                let unread = self.unread.iter().map(Unread::name).collect();
                let holds = Holds { heads: self.books.heads(), unread, photos_wanted: self.wanted.clone(), series: self.series.clone() };
                let reply = serde_json::to_vec(&server_side::hello_reply(&hello, holds, &self.key, NOW + 5000)).expect("json");
                self.traffic.note(asked.len(), reply.len());
                Reply::Hello(serde_json::from_slice(&reply).expect("json"))
            }
            Step::Heads(heads) => {
                let body = heads.encode();
                server_side::decode_heads(&body).expect("heads within their bounds");
                let reply = self.books.heads().encode();
                self.traffic.note(body.len(), reply.len());
                Reply::Heads(wire::decode_heads(&reply).expect("heads within their bounds"))
            }
            Step::Push(entries) => self.pushed(&wire::encode_push(entries)),
            Step::PushUnread(entries) => self.pushed(&wire::encode_push_unread(entries)),
            Step::Pull(ranges) => {
                let asked = wire::encode_ranges(ranges);
                let wanted = server_side::decode_ranges(&asked).expect("ranges within their bounds");
                let read = |inc: &Incarnation, from, max| Ok::<_, ()>(self.books.read(inc, from, max));
                let (entries, more) = server_side::pull_answer(&self.books.heads(), &wanted, read).expect("read");
                let body = server_side::encode_pull(&entries, more);
                self.traffic.note(asked.len(), body.len());
                Reply::Pull(wire::decode_pull(&body).expect("a pull within its bounds"))
            }
            Step::Unread(names) => {
                let asked = wire::encode_names(names);
                let theirs = server_side::decode_names(&asked).expect("names within their bounds");
                let ours: Vec<EntryHash> = self.unread.iter().map(Unread::name).collect();
                let read = |names: &[EntryHash], max| Ok::<_, ()>(named(&self.unread, names, max));
                let body = server_side::encode_unread(&server_side::unread_answer(&ours, &theirs, read).expect("read"));
                self.traffic.note(asked.len(), body.len());
                Reply::Unread(wire::decode_unread(&body).expect("an answer within its bounds"))
            }
            Step::PhotoOffset(photo) => Reply::Photo(self.photo(*photo)),
            Step::PhotoPut { photo, offset, total, bytes } => {
                self.put(*photo, *offset, *total, bytes);
                self.traffic.note(bytes.len(), 0);
                Reply::Photo(self.photo(*photo))
            }
            Step::Done(done) => {
                self.heard.push(done.clone());
                Reply::Done(DoneReply { heard_ms: NOW + 9000 })
            }
            Step::Finished(_) => panic!("nothing to answer"),
        }
    }

    fn pushed(&mut self, body: &[u8]) -> Reply {
        let batch = server_side::decode_push(body).expect("a push within its bounds");
        keep(&mut self.unread, batch.unreadable.iter().cloned().map(Unread::from).collect());
        let series = batch.entries.first().map(|s| s.entry.incarnation);
        let report = self.books.accept(batch.entries);
        let head = series.and_then(|series| self.books.heads().0.get(&series).copied());
        let reply = server_side::push_reply(series, head, report, &batch.unreadable, &self.key, NOW);
        self.traffic.note(body.len(), serde_json::to_vec(&reply).expect("json").len());
        Reply::Push(reply)
    }

    pub fn put(&mut self, photo: PhotoHash, offset: u64, total: u64, bytes: &[u8]) {
        self.pieces += 1;
        let part = self.parts.entry(photo).or_default();
        let held = self.photos.get(&photo).map_or(part.len(), Vec::len) as u64;
        match server_side::photo_rule(held, offset, bytes.len(), total) {
            PhotoRule::Append { skip } => part.extend_from_slice(&bytes[skip..]),
            PhotoRule::Finish | PhotoRule::Resync => {}
            PhotoRule::Refuse => panic!("a piece beyond its limits"),
        }
        if part.len() as u64 == total {
            let part = self.parts.remove(&photo).unwrap_or_default();
            if photo_hash(&part) == photo {
                self.photos.insert(photo, part);
            }
        }
    }

    fn photo(&self, photo: PhotoHash) -> PhotoReply {
        match self.photos.get(&photo) {
            Some(bytes) => {
                let len = bytes.len() as u64;
                PhotoReply { offset: len, complete: true, receipt: Some(PhotoReceipt::sign(&self.key, photo, len, NOW)) }
            }
            None => PhotoReply { offset: self.parts.get(&photo).map_or(0, Vec::len) as u64, complete: false, receipt: None },
        }
    }
}

/// What the network does to one request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Net {
    /// Nothing.
    Good,
    /// The request never arrives.
    LoseRequest,
    /// It arrives and is carried out; the answer never does.
    LoseReply,
    /// It arrives twice.
    Twice,
    /// Of a photo's piece, only the beginning arrives; other requests are lost.
    Torn,
}

/// Runs one exchange over a network that does `nets` to its requests in turn, then nothing more.
/// Gives `None` where it was cut.
pub fn run(tablet: &mut Tablet, trailer: &mut Trailer, nets: &mut impl Iterator<Item = Net>) -> Result<Option<Outcome>, SyncError> {
    run_counting(tablet, trailer, nets).map(|(outcome, _)| outcome)
}

pub fn run_counting(
    tablet: &mut Tablet,
    trailer: &mut Trailer,
    nets: &mut impl Iterator<Item = Net>,
) -> Result<(Option<Outcome>, usize), SyncError> {
    let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
    for steps in 0..10_000 {
        let step = exchange.next(tablet)?;
        assert_eq!(exchange.next(tablet)?, step, "asking again gives the same step");
        if let Step::Finished(outcome) = step {
            return Ok((Some(*outcome), steps));
        }
        match (nets.next().unwrap_or(Net::Good), &step) {
            (Net::Good, _) => {}
            (Net::Twice, step) => drop(trailer.answer(step)),
            (Net::Torn, Step::PhotoPut { photo, offset, total, bytes }) => {
                trailer.put(*photo, *offset, *total, &bytes[..bytes.len() / 3]);
                return Ok((None, steps));
            }
            (Net::LoseReply, step) => {
                trailer.answer(step);
                return Ok((None, steps));
            }
            (Net::LoseRequest | Net::Torn, _) => return Ok((None, steps)),
        }
        let reply = trailer.answer(&step);
        exchange.feed(tablet, reply)?;
    }
    panic!("the exchange does not end");
}

/// Both ends hold the same, nothing twice, everything receipted, photos byte for byte.
pub fn assert_in_step(tablet: &Tablet, trailer: &Trailer) {
    assert_eq!(tablet.books.heads(), trailer.books.heads());
    for (incarnation, (_, entries)) in &tablet.books.series {
        assert_eq!(entries, &trailer.books.series[incarnation].1, "the same entries, signatures included");
    }
    for books in [&tablet.books, &trailer.books] {
        assert!(books.stored.values().all(|times| *times == 1), "nothing is stored twice");
        assert!(books.quarantine.is_empty());
    }
    for (hash, bytes) in &tablet.photos {
        assert_eq!(trailer.photos.get(hash), Some(bytes), "photo {hash}");
        let receipt = &tablet.photo_receipts[hash];
        assert!(receipt.verify(&trailer.key.public()).is_ok() && receipt.bytes == bytes.len() as u64);
    }
    let last = tablet.receipts.last().expect("a receipt");
    let head = tablet.books.heads().0[&tablet.incarnation()];
    assert_eq!((last.seq, last.hash), (head.seq, head.hash), "the receipt covers the whole own series");
}
