//! The ways to forge, one by one. Each makes something new by chance, hands it in, and says what came of it.

use super::world::{JOB, World};
use crate::sim::rng::Rng;
use journal::{
    DeviceId, Draft, Entry, EntryHash, Head, Incarnation, PersonId, PhotoHash, Sealed, Signature, SigningKey, SiteId, Subject, Value,
};
use serde_json::json;
use store::testkit::{Author, draft};
use sync::{CertifiedSeries, EntriesReceipt, PhotoReceipt, wire};

/// What a try ends with: the reason it was refused for, in words.
pub type Try = fn(&mut World, &mut Rng) -> Result<String, String>;

/// A way to forge, what the refusal must say, and the try.
pub struct Class {
    /// Name.
    pub name: &'static str,
    /// What the reason must say, so that a supervisor knows what happened.
    pub says: &'static str,
    /// The try.
    pub run: Try,
}

const fn class(name: &'static str, says: &'static str, run: Try) -> Class {
    Class { name, says, run }
}

/// All of them.
pub const CLASSES: &[Class] = &[
    class("wrong key", "signature on entry", wrong_key),
    class("right key, wrong hash before", "two different entries claim", wrong_prev),
    class("same place, other content", "two different entries claim", fork),
    class("middle dropped", "wanted", middle_dropped),
    class("end dropped, then continued", "two different entries claim", tail_dropped),
    class("moved to another device", "names device", other_device),
    class("moved to another site", "belongs to site", other_site),
    class("moved into another series", "signature on entry", other_series),
    class("order inside the transaction", "two different entries claim", other_order),
    class("countdown of the transaction", "more entries follow", countdown),
    class("signature over fewer entries", "does not end its transaction", fewer),
    class("signature taken off", "no signature", unsigned),
    class("malleable S", "signature on entry", malleable),
    class("small-order key", "not the key of the series", small_order),
    class("second beginning", "must begin with one", second_begin),
    class("non-canonical bytes", "not canonical", non_canonical),
    class("older or later format", "format", other_format),
    class("oversized or deep", "too many|deeper|at most", oversized),
    class("cut-off tablet writes on", "kept apart", after_the_cut),
    class("person named on an unknown device", "kept apart", unknown_device),
    class("unknown device calls itself a server", "kept apart", rogue_server),
    class("sign-off over other content", "not good", other_content),
    class("photo under another's hash", "hash does not fit", photo_swapped),
    class("receipt forged", "not signed by the trailer", receipt),
    class("server key replaced", "not certified", server_key),
    class("everything replayed", "known", replay),
];

/// The next entry of a series, changed and sealed.
fn next(last: &Sealed, rng: &mut Rng, change: impl FnOnce(&mut Entry)) -> Sealed {
    let mut entry = last.entry.clone();
    entry.seq += 1;
    entry.prev = Some(last.hash);
    entry.tx_left = 0;
    entry.counter += 1;
    entry.kind = "note".into();
    entry.subject = Subject(format!("job/{JOB}/notes"));
    entry.basis = vec![];
    entry.body = text(rng);
    change(&mut entry);
    entry.seal().expect("within the rules")
}

fn text(rng: &mut Rng) -> Value {
    Value::Map([("text".to_owned(), Value::Text(format!("forged {:x}", rng.next())))].into())
}

fn signed(mut sealed: Sealed, key: &SigningKey) -> Sealed {
    sealed.sig = Some(key.sign(&sealed.hash));
    sealed
}

fn last(world: &World, key: &SigningKey) -> Sealed {
    world.series(key).pop().expect("a series with entries")
}

/// Hands entries in; all must be refused. Gives the reasons.
fn refused(world: &mut World, entries: Vec<Sealed>) -> Result<String, String> {
    let n = entries.len();
    let got = world.store.accept(entries).map_err(|e| e.to_string())?;
    if got.stored > 0 {
        return Err(format!("{} of {n} were accepted", got.stored));
    }
    let mut reasons: Vec<String> = got.quarantined.into_iter().map(|(_, why)| why).collect();
    reasons.extend(got.wanted.iter().map(|(_, from)| format!("wanted from {from}")));
    if got.known > 0 {
        reasons.push("known".into());
    }
    Ok(reasons.join(" | "))
}

fn wrong_key(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let stranger = SigningKey::from_seed(rng.bytes());
    let key = [stranger, world.server.clone(), world.lost.clone()][rng.below(3)].clone();
    let made = signed(next(&last(world, &world.k2.clone()), rng, |_| {}), &key);
    refused(world, vec![made])
}

fn wrong_prev(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let series = world.series(&world.k2);
    let prev = if rng.percent(50) { EntryHash(rng.bytes()) } else { series[rng.below(series.len() - 1)].hash };
    let made = signed(next(&series[series.len() - 1], rng, |e| e.prev = Some(prev)), &world.k2);
    refused(world, vec![made])
}

fn fork(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let series = world.series(&world.k2);
    let at = rng.below(series.len() - 1);
    let made = signed(next(&series[at], rng, |_| {}), &world.k2);
    refused(world, vec![made])
}

fn middle_dropped(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let first = signed(next(&last(world, &world.k2.clone()), rng, |_| {}), &world.k2);
    let mut chain = vec![first];
    for _ in 0..=rng.below(3) {
        let made = signed(next(&chain[chain.len() - 1], rng, |_| {}), &world.k2);
        chain.push(made);
    }
    refused(world, chain.split_off(1))
}

fn tail_dropped(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let series = world.series(&world.k2);
    let mut chain = vec![series[series.len() - 4].clone()];
    for _ in 0..2 + rng.below(5) {
        let made = signed(next(&chain[chain.len() - 1], rng, |_| {}), &world.k2);
        chain.push(made);
    }
    refused(world, chain.split_off(1))
}

fn other_device(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let device = DeviceId(rng.bytes()[..16].try_into().expect("sixteen"));
    let made = signed(next(&last(world, &world.k2.clone()), rng, |e| e.device = device), &world.k2);
    refused(world, vec![made])
}

fn other_site(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let site = SiteId(rng.bytes()[..16].try_into().expect("sixteen"));
    if rng.percent(50) {
        let mut elsewhere = Author::of_site(site, 1 + rng.below(250) as u8, "K9");
        let entries = [elsewhere.begin(), elsewhere.note(JOB, "of another plant")].concat();
        return refused(world, entries);
    }
    let made = signed(next(&last(world, &world.k2.clone()), rng, |e| e.site = site), &world.k2);
    refused(world, vec![made])
}

/// What K2 signed, put into the series of the trailer.
fn other_series(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let (mine, end) = (world.series(&world.k2), last(world, &world.server.clone()));
    let sig = mine[rng.below(mine.len())].sig.unwrap_or(Signature([7; 64]));
    let mut made = next(&end, rng, |_| {});
    made.sig = Some(sig);
    refused(world, vec![made])
}

/// A sound transaction of three, not yet handed in.
fn transaction(world: &World, rng: &mut Rng) -> Vec<Sealed> {
    let mut chain = vec![last(world, &world.k2)];
    for left in (0..3).rev() {
        let made = next(&chain[chain.len() - 1], rng, |e| e.tx_left = left);
        chain.push(made);
    }
    chain.remove(0);
    chain[2].sig = Some(world.k2.sign(&chain[2].hash));
    chain
}

/// Two of its entries change places: each then names one before it that is not there.
fn other_order(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let mut tx = transaction(world, rng);
    let (a, b) = [(0, 1), (1, 2), (0, 2)][rng.below(3)];
    let (at_a, at_b) = (tx[a].entry.seq, tx[b].entry.seq);
    for (n, seq, left) in [(a, at_b, 2 - b), (b, at_a, 2 - a)] {
        let mut entry = tx[n].entry.clone();
        (entry.seq, entry.tx_left) = (seq, left as u32);
        tx[n] = entry.seal().expect("within the rules");
    }
    for sealed in tx.iter_mut().filter(|s| s.entry.tx_left == 0) {
        sealed.sig = Some(world.k2.sign(&sealed.hash));
    }
    refused(world, tx)
}

fn countdown(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let mut tx = transaction(world, rng);
    let lie = [0, 2, 3, 1023][rng.below(4)];
    let mut entry = tx[1].entry.clone();
    entry.tx_left = lie;
    tx[1] = entry.seal().expect("within the rules");
    if lie == 0 {
        tx[1].sig = Some(world.k2.sign(&tx[1].hash));
    }
    tx.truncate(2);
    refused(world, tx)
}

fn fewer(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let mut tx = transaction(world, rng);
    let at = rng.below(2);
    tx.truncate(at + 1);
    tx[at].sig = Some(world.k2.sign(&tx[at].hash));
    refused(world, tx)
}

fn unsigned(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let mut tx = transaction(world, rng);
    tx[2].sig = None;
    refused(world, tx)
}

/// The order of the group, least significant byte first (RFC 8032, 5.1).
const ORDER: [u8; 32] = [
    0xed, 0xd3, 0xf5, 0x5c, 0x1a, 0x63, 0x12, 0x58, 0xd6, 0x9c, 0xf7, 0xa2, 0xde, 0xf9, 0xde, 0x14, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0x10,
];

/// S + L, or S + 2 L ...: the same point, another text.
pub fn plus_order(sig: &mut Signature, times: usize) {
    for _ in 0..times {
        let mut carry = 0;
        for (byte, order) in sig.0[32..].iter_mut().zip(ORDER) {
            let sum = u16::from(*byte) + u16::from(order) + carry;
            *byte = sum as u8;
            carry = sum >> 8;
        }
    }
}

fn malleable(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let mut made = signed(next(&last(world, &world.k2.clone()), rng, |_| {}), &world.k2);
    let times = 1 + rng.below(14);
    plus_order(made.sig.as_mut().expect("signed"), times);
    refused(world, vec![made])
}

/// Keys under which one signature fits every text (the eight points of small order and their other encodings).
fn small_order(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let key = super::vectors::SMALL_ORDER[rng.below(super::vectors::SMALL_ORDER.len())];
    let key = hex::decode(key).expect("hexadecimal");
    let named = blake3::derive_key("tubewright 2026 incarnation", &key);
    let incarnation = Incarnation(named[..16].try_into().expect("sixteen"));
    let first = &world.series(&world.k2)[0];
    let mut entry = first.entry.clone();
    entry.incarnation = incarnation;
    entry.device = DeviceId(rng.bytes()[..16].try_into().expect("sixteen"));
    entry.subject = Subject(format!("device/{}", entry.device));
    entry.body = Value::from_json(&json!({"key": hex::encode(&key), "name": "K2", "role": "tablet"})).expect("plain");
    let mut made = entry.seal().expect("within the rules");
    let mut trivial = [0; 64];
    trivial[0] = 1;
    made.sig = Some(Signature(trivial));
    refused(world, vec![made])
}

fn second_begin(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let key = SigningKey::from_seed(rng.bytes());
    let end = last(world, &world.k2);
    let begin = Draft::series_begin(end.entry.device, &key, "K2", "server");
    let made = next(&end, rng, |e| (e.kind, e.subject, e.body) = (begin.kind, begin.subject, begin.body));
    let made = signed(made, &world.k2);
    refused(world, vec![made])
}

/// Through the wire, as a tablet would: not one of them is even an entry.
fn unreadable(world: &mut World, bytes: Vec<u8>) -> Result<String, String> {
    let sig = world.k2.sign(&EntryHash(*blake3::hash(&bytes).as_bytes()));
    let body = wire::encode_push_unread(&[wire::Unread { bytes, sig: Some(sig) }]);
    let batch = match wire::decode_push(&body) {
        Ok(batch) => batch,
        Err(why) => return Ok(why.to_string()),
    };
    if !batch.entries.is_empty() {
        return Err("it was read as an entry".into());
    }
    let got = world.store.accept(batch.entries).map_err(|e| e.to_string())?;
    if got.stored > 0 {
        return Err("it was accepted".into());
    }
    Ok(batch.unreadable.first().map(|u| u.why.to_string()).unwrap_or_default())
}

fn non_canonical(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let made = next(&last(world, &world.k2), rng, |_| {});
    let mut bytes = made.bytes;
    match rng.below(5) {
        // The format in two bytes instead of one; a float; a tag; an end too early; something after the end.
        0 => drop(bytes.splice(2..3, [0x18, 0x01])),
        1 => drop(bytes.splice(2..3, [0xf9, 0x3c, 0])),
        2 => bytes.insert(2, 0xc1),
        3 => bytes.truncate(bytes.len() - 1 - rng.below(40)),
        _ => bytes.extend(&rng.bytes()[..1 + rng.below(8)]),
    }
    unreadable(world, bytes)
}

fn other_format(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let mut bytes = next(&last(world, &world.k2), rng, |_| {}).bytes;
    bytes[2] = [0, 2, 3, 23][rng.below(4)];
    unreadable(world, bytes)
}

/// Built byte by byte, because no writer would.
fn oversized(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let made = next(&last(world, &world.k2), rng, |e| e.body = Value::Null);
    let mut bytes = made.bytes;
    bytes.pop();
    match rng.below(3) {
        0 => bytes.extend([vec![0x81; 17 + rng.below(4000)], vec![0xf6]].concat()),
        1 => {
            let n = (journal::limits::MAX_ENTRY_BYTES + rng.below(1000)) as u32;
            bytes.extend([vec![0x5a], n.to_be_bytes().to_vec(), vec![0; n as usize]].concat());
        }
        _ => {
            // The list of the basis stands before the key of the body.
            let at = bytes.len() - 2;
            let hashes: Vec<u8> = (0..1025_u32).flat_map(|n| [vec![0x58, 32], vec![0; 28], n.to_be_bytes().to_vec()].concat()).collect();
            bytes.splice(at..=at, [vec![0x99, 0x04, 0x01], hashes].concat());
            bytes.push(0xf6);
        }
    }
    unreadable(world, bytes)
}

/// Taken in with a true signature of a key that does not count: kept, and folded into nothing.
fn apart(world: &mut World, entries: Vec<Sealed>) -> Result<String, String> {
    let incarnation = entries[0].entry.incarnation;
    let (view, plan, from) = (world.view(), world.plan(), entries[0].entry.seq);
    let n = entries.len();
    let got = world.store.accept(entries).map_err(|e| e.to_string())?;
    if got.stored != n || !got.quarantined.is_empty() {
        return Err(format!("a sound chain was not kept: {got:?}"));
    }
    if world.view() != view || world.plan() != plan {
        return Err("what does not count changed what is shown".into());
    }
    let kept = world.store.kept_apart(&incarnation, from, usize::MAX >> 1).map_err(|e| e.to_string())?;
    if kept.len() != n {
        return Err(format!("{} of {n} are told as kept apart", kept.len()));
    }
    Ok("kept apart".into())
}

fn after_the_cut(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let end = last(world, &world.lost);
    let made = signed(next(&end, rng, |e| e.person = PersonId("m-diaz".into())), &world.lost);
    if rng.percent(30) {
        // Before the cut: it rewrites what it had said while it counted.
        let fork = signed(next(&world.series(&world.lost)[0], rng, |_| {}), &world.lost);
        let reasons = refused(world, vec![fork])?;
        if !reasons.contains("two different entries claim") {
            return Err(format!("a rewriting was refused as {reasons:?}"));
        }
    }
    apart(world, vec![made])
}

fn stranger(rng: &mut Rng, role: &str) -> (Author, Vec<Sealed>) {
    // Of 256 fixed keys three are in use; which one does not matter.
    let n = 10 + rng.below(240) as u8;
    let mut author = Author::new(n, "K2");
    let begin = author.begin_as(role);
    (author, begin)
}

fn unknown_device(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let (mut author, mut entries) = stranger(rng, "tablet");
    if world.store.tail(&author.incarnation()).map_err(|e| e.to_string())?.is_some() {
        author.resume(&world.store).map_err(|e| e.to_string())?;
        entries.clear();
    }
    let body = world.sign_body();
    entries.extend(author.write(vec![draft(&format!("job/{JOB}/gate/place"), "sign", &body, &[])]));
    entries.extend(author.gap(JOB, "6", 1 + rng.below(90) as u32, &[]));
    apart(world, entries)
}

fn rogue_server(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let (mut author, mut entries) = stranger(rng, "server");
    if world.store.tail(&author.incarnation()).map_err(|e| e.to_string())?.is_some() {
        author.resume(&world.store).map_err(|e| e.to_string())?;
        entries.clear();
    }
    let mut plan = serde_json::to_value(world.plan()).expect("plain");
    plan["plant"] = json!(format!("Taken over {:x}", rng.next()));
    entries.extend(author.write_plan(&plan, &[]));
    let takes =
        job::standing::Standing { role: job::standing::SeriesRole::Tablet, name: "K2".into(), to: Some(0), reason: "forged".into() };
    let about = Incarnation::of(&world.k2.public());
    entries.extend(author.write(vec![job::standing::draft(&about, &takes, vec![]).expect("plain")]));
    apart(world, entries)
}

/// By a tablet that counts, so the entry is taken in; the signature is shown as what it is.
fn other_content(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let mut body = world.sign_body();
    match rng.below(4) {
        0 => body["root"] = json!(hex::encode(rng.bytes())),
        1 => body["statement"] = json!("I was not even there."),
        2 => body["covers"] = json!([{"field": "place", "entries": [EntryHash(rng.bytes())]}]),
        _ => body["lang"] = json!("pl"),
    }
    let body = Value::from_json(&body).expect("plain");
    let made = next(&last(world, &world.k2.clone()), rng, |e| {
        (e.kind, e.subject, e.body) = ("sign".into(), Subject(format!("job/{JOB}/gate/place")), body);
        e.person = PersonId("m-diaz".into());
    });
    // Folded beside the store, which stays as it is for the next try.
    let (mut fold, mut devices) = (job::JobFold::new(JOB), job::Devices::default());
    for sealed in world.all.iter().chain([&signed(made, &world.k2)]) {
        devices.insert(sealed);
        fold.insert(sealed);
    }
    let view = fold.view(&world.plan(), &devices).ok_or("no view")?;
    let gate = view.gates.iter().find(|g| g.gate == "place").ok_or("no hold point")?;
    match gate.signs.first() {
        Some(sign) if !sign.good && gate.state != job::view::GateState::Open => Ok("not good".into()),
        other => Err(format!("the signature is shown as {other:?}")),
    }
}

fn photo_swapped(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let (true_bytes, other) = (rng.bytes(), rng.bytes());
    let hash = PhotoHash(*blake3::hash(&true_bytes).as_bytes());
    world.store.photos().upload_append(&hash, 0, &other).map_err(|e| e.to_string())?;
    match world.store.upload_finish(&hash) {
        Err(why) if world.store.photo_state(&hash).is_ok_and(|s| !s.here) => Ok(why.to_string()),
        other => Err(format!("{other:?}")),
    }
}

fn receipt(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let (server, series) = (world.server.public(), Incarnation::of(&world.k2.public()));
    let head = Head { seq: 1 + rng.below(99) as u64, hash: EntryHash(rng.bytes()) };
    let photo = PhotoHash(rng.bytes());
    let by = |key: &SigningKey| (EntriesReceipt::sign(key, series, head, 7), PhotoReceipt::sign(key, photo, 99, 7));
    let (good, good_photo) = by(&world.server);
    assert!(good.verify(&server).is_ok() && good_photo.verify(&server).is_ok());
    let (mut entries, mut pictures) = by(&SigningKey::from_seed(rng.bytes()));
    match rng.below(7) {
        0 => {}
        1 => (entries, pictures) = by(&world.k2),
        2 => (entries, pictures) = (EntriesReceipt { seq: good.seq + 1, ..good }, PhotoReceipt { bytes: 100, ..good_photo }),
        3 => {
            (entries, pictures) =
                (EntriesReceipt { hash: EntryHash(rng.bytes()), ..good }, PhotoReceipt { photo: PhotoHash(rng.bytes()), ..good_photo })
        }
        4 => (entries, pictures) = (EntriesReceipt { at_ms: 8, ..good }, PhotoReceipt { at_ms: 8, ..good_photo }),
        // One signature in the place of the other, and the signature of a transaction in the place of both.
        5 => (entries, pictures) = (EntriesReceipt { sig: good_photo.sig, ..good }, PhotoReceipt { sig: good.sig, ..good_photo }),
        _ => {
            let sig = world.server.sign(&head.hash);
            (entries, pictures) = (EntriesReceipt { sig, ..good }, PhotoReceipt { sig, ..good_photo });
        }
    }
    match (entries.verify(&server), pictures.verify(&server)) {
        (Err(why), Err(_)) => Ok(why.to_string()),
        other => Err(format!("{other:?}")),
    }
}

fn server_key(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let new = SigningKey::from_seed(rng.bytes());
    let identity = world.server.public();
    let good = CertifiedSeries::sign(&world.server, new.public());
    assert!(good.verify(&identity).is_ok());
    let forged = match rng.below(4) {
        0 => CertifiedSeries::sign(&new, new.public()),
        1 => CertifiedSeries::sign(&world.k2, new.public()),
        2 => CertifiedSeries { key: SigningKey::from_seed(rng.bytes()).public(), ..good },
        _ => CertifiedSeries { sig: world.server.sign(&EntryHash(new.public().to_bytes())), ..good },
    };
    match forged.verify(&identity) {
        Err(why) => Ok(why.to_string()),
        Ok(()) => Err("a series was certified by another key".into()),
    }
}

/// The whole sync again, in another order and in other pieces, and with another true signature of the same key.
fn replay(world: &mut World, rng: &mut Rng) -> Result<String, String> {
    let mut all = world.all.clone();
    rng.shuffle(&mut all);
    let n = all.len();
    let mut known = 0;
    for piece in all.chunks(1 + rng.below(n)) {
        let got = world.store.accept(piece.to_vec()).map_err(|e| e.to_string())?;
        if got.stored > 0 || !got.quarantined.is_empty() {
            return Err(format!("{got:?}"));
        }
        known += got.known;
    }
    if known == n { Ok("known".into()) } else { Err(format!("{known} of {n} were known")) }
}
