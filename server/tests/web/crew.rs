//! Paired tablets as the wire sees them: they write their own series and send it.

use crate::client::Answer;
use crate::fixture::{As, Fixture};
use journal::{BootId, DeviceId, Draft, EntryHash, Incarnation, PersonId, Sealed, SigningKey, SiteId, Stamp, Subject, Value, Writer};
use serde_json::{Value as Json, json};
use sync::message::{PairReply, PairRequest};
use sync::pairing::{Code, Fingerprint, TabletSaw, request};

pub struct Tablet {
    pub key: SigningKey,
    pub device: DeviceId,
    pub name: String,
    pub token: String,
    pub server: journal::VerifyingKey,
    writer: Writer,
}

pub fn ask(key: &SigningKey, device: DeviceId, name: &str, code: &Code, fingerprint: Fingerprint, nonce: u8) -> PairRequest {
    request(code, &TabletSaw { fingerprint, key: &key.public(), device, name, nonce: [nonce; 32] }, key)
}

/// A code from the running server.
pub fn code(fixture: &Fixture) -> Code {
    Code::parse(&tubewright_server::pair::invite(fixture.app()).unwrap().code).unwrap()
}

pub fn pair_with(fixture: &Fixture, code: &Code, n: u8, name: &str) -> Answer {
    let key = SigningKey::from_seed([n; 32]);
    let asked = ask(&key, DeviceId([n; 16]), name, code, Fingerprint(fixture.app().web().pin), n);
    fixture.post(As::default(), "/api/pair", &serde_json::to_value(&asked).unwrap())
}

/// A tablet that was never paired here: it writes its series all the same.
pub fn stranger(n: u8, name: &str) -> Tablet {
    let key = SigningKey::from_seed([n; 32]);
    let writer = Writer::new(site(), DeviceId([n; 16]), Incarnation::of(&key.public()), None, 0);
    Tablet { device: DeviceId([n; 16]), server: key.public(), key, name: name.to_owned(), token: String::new(), writer }
}

pub fn pair(fixture: &Fixture, n: u8, name: &str) -> Tablet {
    let code = code(fixture);
    let answer = pair_with(fixture, &code, n, name);
    assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.body));
    let reply: PairReply = serde_json::from_slice(&answer.body).unwrap();
    let key = SigningKey::from_seed([n; 32]);
    let public = key.public();
    let saw =
        TabletSaw { fingerprint: Fingerprint(fixture.app().web().pin), key: &public, device: DeviceId([n; 16]), name, nonce: [n; 32] };
    assert!(sync::pairing::reply_fits(&code, &saw, &reply), "the trailer proves that it knows the code");
    let writer = Writer::new(reply.site, DeviceId([n; 16]), Incarnation::of(&public), None, 0);
    Tablet { device: DeviceId([n; 16]), key, name: name.to_owned(), token: reply.token, server: reply.server_key, writer }
}

impl Tablet {
    pub fn who(&self) -> As<'_> {
        As { token: Some(&self.token), ..As::default() }
    }

    pub fn incarnation(&self) -> Incarnation {
        self.writer.incarnation()
    }

    pub fn seq(&self) -> u64 {
        self.writer.head().map_or(0, |h| h.seq)
    }

    /// Writes one transaction.
    pub fn write(&mut self, person: &str, drafts: Vec<(&str, String, Vec<EntryHash>, Json)>) -> Vec<Sealed> {
        let mut all: Vec<Draft> = drafts
            .into_iter()
            .map(|(kind, subject, basis, body)| Draft {
                kind: kind.to_owned(),
                version: 1,
                subject: Subject(subject),
                basis,
                body: Value::from_json(&body).unwrap(),
            })
            .collect();
        if self.writer.head().is_none() {
            all.insert(0, Draft::series_begin(self.device, &self.key, &self.name, "tablet"));
        }
        let stamp = Stamp { wall_ms: 1_790_000_000_000, boot: BootId([1; 16]), uptime_ms: 5, person: PersonId(person.to_owned()) };
        let sealed = self.writer.transaction(&stamp, all, &self.key).unwrap();
        self.writer.advance(&sealed);
        sealed
    }

    pub fn push(&self, fixture: &Fixture, entries: &[Sealed]) -> Answer {
        fixture.send(self.who(), "POST", "/api/sync/push", "application/cbor", &sync::wire::encode_push(entries))
    }

    pub fn hello(&self, fixture: &Fixture, photos_waiting: u64) -> Json {
        self.hello_at(fixture, photos_waiting, BootId([1; 16]), 1_790_000_000_000)
    }

    /// What a hello of this tablet says.
    pub fn says(&self, photos_waiting: u64, boot: BootId, wall_ms: i64) -> Json {
        let hello = sync::message::Hello {
            incarnation: self.incarnation(),
            seq: self.seq(),
            photos_waiting,
            wall_ms,
            boot,
            uptime_ms: 5,
            digest: sync::message::Digest(journal::Heads::default().digest()),
            unread: None,
        };
        serde_json::to_value(hello).unwrap()
    }

    pub fn hello_at(&self, fixture: &Fixture, photos_waiting: u64, boot: BootId, wall_ms: i64) -> Json {
        let answer = fixture.post(self.who(), "/api/sync/hello", &self.says(photos_waiting, boot, wall_ms));
        assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.body));
        answer.json()
    }

    /// Greets and says what it holds, as a sync does.
    pub fn compare(&self, fixture: &Fixture, heads: &journal::Heads) -> journal::Heads {
        self.hello(fixture, 0);
        let answer = fixture.send(self.who(), "POST", "/api/sync/heads", "application/cbor", &heads.encode());
        assert_eq!(answer.status, 200);
        journal::Heads::decode(&answer.body).unwrap()
    }

    pub fn done(&self, fixture: &Fixture, entries: u64, photos: u64) {
        let done = json!({ "incarnation": self.incarnation(), "seq": self.seq(), "entries_waiting": entries, "photos_waiting": photos });
        assert_eq!(fixture.post(self.who(), "/api/sync/done", &done).status, 200);
    }

    /// Everything the trailer has, as another tablet would fetch it.
    pub fn pull(&self, fixture: &Fixture) -> Vec<Sealed> {
        let none = journal::Heads::default();
        let answer = fixture.send(self.who(), "POST", "/api/sync/heads", "application/cbor", &none.encode());
        assert_eq!(answer.status, 200);
        let wanted = journal::Heads::decode(&answer.body).unwrap().missing_from(&none);
        let answer = fixture.send(self.who(), "POST", "/api/sync/pull", "application/cbor", &sync::wire::encode_ranges(&wanted));
        assert_eq!(answer.status, 200);
        let batch = sync::wire::decode_pull(&answer.body).unwrap();
        assert!(!batch.more && batch.unreadable.is_empty());
        batch.entries
    }
}

pub const JOB: &str = "0190f5a0c0de70008000000000000001";

pub fn inches(typed: &str) -> Json {
    let m = trade::Measure::parse(typed, trade::Unit::Inch, trade::Ratio::new(1, 16)).unwrap();
    serde_json::to_value(&m).unwrap()
}

fn feet(typed: &str) -> Json {
    serde_json::to_value(trade::Measure::parse(typed, trade::Unit::Foot, None).unwrap()).unwrap()
}

/// A job on one tablet with a gap at 6 o'clock.
pub fn job_with_gap(tablet: &mut Tablet, gap: &str) -> Vec<Sealed> {
    let place = json!({ "section": "front-wall", "row": 1, "tube": 47, "elevation": feet("54 1/2"), "side": "fire", "landmark": "" });
    let open = json!({ "number": format!("{}-001", tablet.name), "section": "front-wall" });
    let mut all = tablet
        .write("ana-r", vec![("open", format!("job/{JOB}/open"), vec![], open), ("place", format!("job/{JOB}/place"), vec![], place)]);
    all.extend(gap_at_six(tablet, "m-soto", gap));
    all
}

pub fn gap_at_six(tablet: &mut Tablet, person: &str, gap: &str) -> Vec<Sealed> {
    tablet.write(
        person,
        vec![("gap", format!("job/{JOB}/gap/6"), vec![], json!({ "gap": inches(gap), "instrument": "T-12", "read_twice": false }))],
    )
}

/// The site of the demo outage.
pub fn site() -> SiteId {
    let demo: Json = serde_json::from_str(crate::fixture::DEMO).unwrap();
    SiteId::from_hex(demo["site"].as_str().unwrap()).unwrap()
}
