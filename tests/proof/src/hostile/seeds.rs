//! Real values of everything that comes in: what a corpus is begun with.

use super::folds::{PLAN, Said, WHOLE, said};
use crate::sim::bodies;
use crate::sim::rng::Rng;
use journal::{BootId, DeviceId, EntryHash, Head, Heads, Incarnation, PhotoHash, Range, Sealed, Signature, SigningKey};
use serde::Serialize;
use serde_json::json;
use store::testkit::{Author, draft, trailer, two_tablets};
use sync::message::{Done, DoneReply, Hello, HelloReply, PairReply, PhotoReply, PushReply, Quarantined};
use sync::pairing::{Address, Code, Fingerprint, TabletSaw, qr_text, reply, request};
use sync::wire::{self, Unread, UnreadReply};
use sync::{EntriesReceipt, PhotoReceipt};

type Seeds = Vec<(String, Vec<u8>)>;

fn named(all: impl IntoIterator<Item = Vec<u8>>) -> Seeds {
    all.into_iter().enumerate().map(|(n, bytes)| (format!("{n:02}"), bytes)).collect()
}

/// A small journal without the plan, which is long.
fn journal() -> Vec<Vec<Sealed>> {
    let mut all = two_tablets();
    all.insert(0, trailer().1[..1].to_vec());
    all
}

/// One of each kind of entry.
pub fn entries() -> Seeds {
    let mut seen = std::collections::BTreeSet::new();
    let all = journal().concat().into_iter().chain(WHOLE.iter().cloned());
    let mut out: Seeds = all.filter(|s| seen.insert(s.entry.kind.clone())).map(|s| (s.entry.kind.clone(), s.bytes)).collect();
    // As a later program writes: further members from key 32 on.
    let mut later = out[0].1.clone();
    later[0] = 0xb2;
    later.extend([0x18, 32, 0xf5]);
    out.push(("later".into(), later));
    out
}

/// Whole series, a transaction of several, a fork, an unsigned end.
pub fn pushes() -> Seeds {
    let mut k2 = Author::new(2, "K2");
    let begin = k2.begin();
    let four = k2.write((0..4).map(|n| draft("job/j/notes", "note", &json!({"text": n.to_string()}), &[])).collect());
    let mut unsigned = [begin.clone(), four.clone()].concat();
    unsigned[4].sig = None;
    let lists = [
        vec![],
        begin.clone(),
        [begin.clone(), four.clone()].concat(),
        unsigned,
        [begin.clone(), begin].concat(),
        journal().concat().into_iter().take(8).collect(),
        four,
    ];
    let mut out = named(lists.iter().map(|l| wire::encode_push(l)));
    out.push(("unread".into(), wire::encode_push_unread(&[Unread { bytes: vec![0xa1, 0, 2], sig: Some(Signature([3; 64])) }])));
    out
}

fn heads() -> Heads {
    (1..4_u8).map(|n| (Incarnation([n; 16]), Head { seq: u64::from(n) * 100, hash: EntryHash([n; 32]) })).collect()
}

/// One of each list, with the byte that chooses it before.
pub fn pulls() -> Seeds {
    let entries: Vec<Sealed> = journal().concat().into_iter().take(4).collect();
    let names = vec![EntryHash([1; 32]), EntryHash([2; 32])];
    let unread = UnreadReply { wanted: names.clone(), entries: vec![Unread { bytes: vec![0xa1, 0, 2], sig: None }] };
    let ranges = [(Incarnation([1; 16]), Range { from: 1, to: 9 }), (Incarnation([2; 16]), Range { from: 7, to: 7 })];
    let with = |which: u8, body: Vec<u8>| [vec![which], body].concat();
    named([
        with(0, wire::encode_pull(&entries, true)),
        with(0, wire::encode_pull(&[], false)),
        with(1, wire::encode_ranges(&ranges)),
        with(2, heads().encode()),
        with(2, Heads::default().encode()),
        with(3, wire::encode_names(&names)),
        with(4, wire::encode_unread(&unread)),
    ])
}

/// Plans of requests: in order, overlapping, out of order, with false lengths, with other bytes.
pub fn uploads() -> Seeds {
    named([
        vec![0, 20, 0, 0, 20, 20, 0, 0],
        vec![0, 40, 0, 0],
        vec![0, 25, 0, 0, 10, 30, 0, 0, 40, 0, 0, 0],
        vec![20, 20, 0, 0, 0, 40, 0, 0],
        vec![0, 40, 0x40, 1, 0, 40, 0, 0],
        // A false length longer than the photo: it must not keep the photo out for ever.
        vec![0, 100, 0x88, 200, 0, 40, 0, 0],
        vec![0, 10, 0x0c, 0, 5, 5, 3, 9],
    ])
}

fn pair() -> (sync::message::PairRequest, PairReply) {
    let (code, own) = (Code::parse("ABCDE-FGH23").expect("a code"), Fingerprint([0x5a; 32]));
    let key = SigningKey::from_seed([4; 32]);
    let public = key.public();
    let saw = TabletSaw { fingerprint: own, key: &public, device: DeviceId([4; 16]), name: "K4", nonce: [0x33; 32] };
    let request = request(&code, &saw, &key);
    let given = PairReply {
        token: "a-token".into(),
        site: PLAN.site,
        name: PLAN.plant.clone(),
        server_key: SigningKey::from_seed([9; 32]).public(),
        proof: String::new(),
    };
    let reply = reply(&code, &own, &request, given).expect("a sound request");
    (request, reply)
}

/// Squares, codes, addresses, requests.
pub fn pairings() -> Seeds {
    let code = Code::parse("ABCDE-FGH23").expect("a code");
    let square = |at: &str| qr_text(&Address::parse(at).expect("an address"), &Fingerprint([0x5a; 32]), &code);
    let with = |which: u8, text: &str| [&[which], text.as_bytes()].concat();
    named([
        with(0, &square("192.168.4.2:8443")),
        with(0, &square("[fe80::1]:9000")),
        with(0, &(square("trailer.local") + "&later=1")),
        with(1, "abcde fgh23"),
        with(1, "ABCDE-FGH23"),
        with(2, "192.168.4.2\nABCDE FGH23"),
        with(2, "https://trailer:8443/\nabcdefgh23"),
        with(2, "[::1]\nABCDEFGH23"),
        [vec![3], serde_json::to_vec(&pair().0).expect("plain")].concat(),
    ])
}

/// One of each message and of each kind of body.
pub fn bodies() -> Seeds {
    fn text<T: Serialize>(which: u8, value: &T) -> (String, Vec<u8>) {
        (format!("message-{which}"), [vec![which], serde_json::to_vec(value).expect("plain")].concat())
    }
    let (key, series, hash) = (SigningKey::from_seed([9; 32]), Incarnation([4; 16]), EntryHash([7; 32]));
    let entries = EntriesReceipt::sign(&key, series, Head { seq: 9, hash }, 1_790_000_000_000);
    let photo = PhotoReceipt::sign(&key, PhotoHash([5; 32]), 1234, 1_790_000_000_000);
    let (request, reply) = pair();
    let digest = sync::message::Digest([8; 32]);
    let hello = Hello {
        incarnation: series,
        seq: 9,
        photos_waiting: 2,
        wall_ms: 1_790_000_000_000,
        boot: BootId([1; 16]),
        uptime_ms: 77,
        digest,
        unread: Some(digest),
    };
    let hello_reply = HelloReply {
        same: false,
        unread: true,
        now_ms: 1_790_000_000_500,
        photos_wanted: vec![PhotoHash([5; 32])],
        receipt: Some(entries.clone()),
        server_series: vec![],
    };
    let push = PushReply {
        receipt: Some(entries),
        stored: 3,
        known: 1,
        quarantined: vec![Quarantined { entry: hash, why: "the signature does not fit".into() }],
        unread: 2,
    };
    let mut out = vec![
        text(0, &request),
        text(1, &reply),
        text(2, &hello),
        text(3, &hello_reply),
        text(4, &push),
        text(5, &PhotoReply { offset: 1234, complete: true, receipt: Some(photo) }),
        text(6, &Done { incarnation: series, seq: 9, entries_waiting: 0, photos_waiting: 1 }),
        text(7, &DoneReply { heard_ms: 1_790_000_001_000 }),
    ];
    let mut rng = Rng::new(1);
    for field in bodies::FIELDS.iter().chain(&bodies::LISTS) {
        let kind = bodies::kind(field);
        let save = json!({"kind": kind, "field": field, "body": bodies::body(field, true, false, &mut rng)});
        let name = format!("save-{}", field.replace('/', "-"));
        out.push((name, [vec![8], serde_json::to_vec(&save).expect("plain")].concat()));
    }
    out
}

/// The demo plan made small, and one with everything that may be left out left out.
pub fn plans() -> Seeds {
    let mut plan = PLAN.clone();
    plan.sections.truncate(1);
    plan.sections[0].landmarks.truncate(2);
    plan.checks.truncate(1);
    plan.hold_points.truncate(2);
    let small = serde_json::to_vec(&plan).expect("plain");
    plan.procedures.clear();
    plan.checks.clear();
    plan.hold_points.clear();
    named([small, serde_json::to_vec(&plan).expect("plain")])
}

/// Rosters.
pub fn rosters() -> Seeds {
    let people = &PLAN.people;
    let mut twice = people[..2].to_vec();
    twice[1].id = twice[0].id.clone();
    let mut costly = people[..1].to_vec();
    costly[0].pin = costly[0].pin.replace("m=19456", "m=4294967295");
    let plain = |p: &[job::plan::Person]| serde_json::to_vec(p).expect("plain");
    named([plain(&people[..1]), plain(&people[..4]), plain(people), plain(&twice), plain(&costly)])
}

/// Figures of every form, good and bad, with the byte of the unit before.
pub fn fractions() -> Seeds {
    let texts = [
        "12 3/16",
        "3/8",
        "12.188",
        "-1/16",
        "0.000001",
        "999999999.999999",
        "54' 6\"",
        "54' 11 15/16\"",
        "54'",
        ".5",
        "5.",
        "0/1",
        "9999/9999",
        "1/0",
        "12 17/16",
        "4,75",
        "- 3",
        "1e3",
        "",
    ];
    named(texts.iter().enumerate().map(|(n, text)| [&[n as u8], text.as_bytes()].concat()))
}

/// A whole job, two answers and their settlement, a strike, later kinds, figures that overflow.
pub fn folds() -> Seeds {
    let gap = |n: i64, d: i64| json!({"gap": {"typed": "20 1/2", "value": [n, d], "unit": "in"}, "instrument": "T-12"});
    let open = said(0, "ana-r", "open", "open", 1, json!({"number": "K4-001", "section": "front-wall"}));
    let on = |device, field: &str, kind: &str, basis: &[usize], body| Said {
        basis: basis.to_vec(),
        ..said(device, "m-diaz", field, kind, 1, body)
    };
    let two = vec![
        open.clone(),
        on(0, "gap/3", "gap", &[], gap(41, 2)),
        on(1, "gap/3", "gap", &[], gap(165, 8)),
        on(2, "gap/3", "settle", &[1, 2], json!({"kind": "gap", "body": gap(41, 2), "reason": "measured again together"})),
    ];
    let odd = vec![
        open.clone(),
        on(0, "gap/12", "gap", &[], gap(i64::MAX, 1)),
        on(1, "gap/12", "gap", &[], gap(i64::MIN, i64::MAX)),
        on(1, "gap/6", "gap", &[], gap(1, i64::MAX)),
        on(2, "piece", "piece", &[], json!({"length": {"typed": "1", "value": [i64::MAX, 3], "unit": "psi"}})),
        on(2, "rope-access", "rope-access", &[], json!({"anchors": [1, 2]})),
        on(3, "notes", "note", &[], json!({"text": "seen"})),
        on(3, "notes", "strike", &[], json!({"entry": EntryHash([1; 32]), "reason": "twice"})),
    ];
    let mut rng = Rng::new(1);
    let mut whole = vec![open];
    for field in bodies::FIELDS.iter().chain(&bodies::LISTS) {
        whole.push(said(0, bodies::writer(field), field, bodies::kind(field), 1, bodies::body(field, true, false, &mut rng)));
    }
    named([two, odd, whole].iter().map(|all| serde_json::to_vec(all).expect("plain")))
}

/// Small pictures of both kinds.
pub fn images() -> Seeds {
    crate::images::made::small()
}
