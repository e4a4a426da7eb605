//! Which series count: taking a tablet off, what comes after, series nobody knows, clocks.

use crate::client::Answer;
use crate::crew::{self, JOB, gap_at_six, job_with_gap, pair, stranger};
use crate::fixture::{As, Fixture, options};
use journal::{BootId, Sealed};
use serde_json::{Value as Json, json};
use sync::message::PushReply;
use tubewright_server::serve;

struct Board<'a> {
    fixture: &'a Fixture,
    cookie: String,
}

impl<'a> Board<'a> {
    fn of(fixture: &'a Fixture, person: &str) -> Self {
        Self { fixture, cookie: fixture.sign_in(person) }
    }

    fn who(&self) -> As<'_> {
        As { cookie: Some(&self.cookie), ..As::default() }
    }

    fn get(&self, path: &str) -> Json {
        let got = self.fixture.get(self.who(), path);
        assert_eq!(got.status, 200, "{path}: {}", String::from_utf8_lossy(&got.body));
        got.json()
    }

    fn board(&self) -> Json {
        self.get("/api/board")
    }

    fn series(&self, of: &crew::Tablet) -> Json {
        let all = self.get("/api/board/series");
        let id = of.incarnation().to_hex();
        all.as_array().unwrap().iter().find(|s| s["incarnation"] == id.as_str()).cloned().unwrap_or(Json::Null)
    }

    fn take_off(&self, tablet: &crew::Tablet, reason: &str) -> Answer {
        self.fixture.post(self.who(), "/api/board/tablet/take-off", &json!({ "device": tablet.device, "reason": reason }))
    }

    /// Says up to where a series counts, as a person who sees what stands now.
    fn say(&self, of: &crew::Tablet, to: Option<u64>, reason: &str) -> Answer {
        let said = &self.series(of)["said"];
        let body = json!({ "incarnation": of.incarnation(), "to": to, "reason": reason, "said": said });
        self.fixture.post(self.who(), "/api/board/series", &body)
    }

    fn gaps(&self) -> usize {
        let got = self.fixture.get(self.who(), &format!("/api/board/job/{JOB}"));
        if got.status == 200 { got.json()["fields"]["gap/6"]["answers"].as_array().map_or(0, Vec::len) } else { 0 }
    }
}

fn pushed(answer: &Answer) -> PushReply {
    assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.body));
    serde_json::from_slice(&answer.body).unwrap()
}

/// Entries that reach the trailer some other way: carried in a file, or by another tablet.
fn brought(fixture: &Fixture, entries: &[Sealed]) {
    let entries = entries.to_vec();
    fixture.app().with_now(|t| Ok(t.store.accept(entries).unwrap())).unwrap();
}

#[test]
fn a_paired_tablet_counts_from_its_first_entry_and_the_record_says_so() {
    let fixture = Fixture::new();
    let board = Board::of(&fixture, "m-diaz");
    let mut k1 = pair(&fixture, 1, "K1");
    let entries = job_with_gap(&mut k1, "20 1/2");
    assert_eq!(pushed(&k1.push(&fixture, &entries)).stored, 4);
    assert_eq!(board.gaps(), 1);
    let row = board.series(&k1);
    println!("{row}");
    assert_eq!(
        (&row["standing"], &row["name"], &row["counts_to"], &row["apart"], &row["paired"]),
        (&json!("counts"), &json!("K1"), &Json::Null, &json!(0), &json!(true))
    );
    let said = k1.pull(&fixture).into_iter().find(|e| e.entry.kind == "standing").expect("the statement reaches the tablet");
    assert_eq!(said.entry.subject.0, format!("series/{}", k1.incarnation()));
}

#[test]
fn a_tablet_taken_off_gets_nothing_counts_to_there_and_says_no_more_than_that() {
    let fixture = Fixture::new();
    let board = Board::of(&fixture, "m-diaz");
    let (mut k1, mut k2) = (pair(&fixture, 1, "K1"), pair(&fixture, 2, "K2"));
    let one = job_with_gap(&mut k1, "20 1/2");
    k1.push(&fixture, &one);
    k1.done(&fixture, 0, 0);
    let two = gap_at_six(&mut k2, "d-kerr", "20 5/8");
    k2.push(&fixture, &two);
    assert_eq!(board.gaps(), 2);
    // It said that it still holds something.
    let later = gap_at_six(&mut k2, "d-kerr", "21");
    k2.hello(&fixture, 1);
    assert_eq!(board.take_off(&k2, " ").code(), "reason-missing");
    let off = board.take_off(&k2, "left in a taxi");
    println!("{}", off.json());
    assert_eq!((off.status, &off.json()["tablets"][0]["revoked"], &off.json()["series"][0]["counts_to"]), (200, &json!(true), &json!(2)));
    let again = board.take_off(&k2, "left in a taxi");
    assert_eq!((again.status, again.code().as_str()), (409, "already-off"));
    let refused = k2.push(&fixture, &later);
    println!("{}", refused.json()["words"]);
    assert_eq!((refused.status, refused.code().as_str()), (403, "revoked"));
    assert!(refused.json()["words"].as_str().unwrap().contains("left in a taxi"));
    let view = board.board();
    let tablet = view["tablets"].as_array().unwrap().iter().find(|t| t["name"] == "K2").unwrap();
    assert_eq!(
        (&tablet["heard"], &tablet["counts_to"], &tablet["apart"], &tablet["entries_waiting"], &tablet["photos_waiting"]),
        (&json!("taken-off"), &json!(2), &json!(0), &json!(1), &json!(1))
    );
    assert_eq!((&view["counts"]["silent"], &view["counts"]["taken_off"]), (&json!(0), &json!(1)));
    assert!(view["sentence"].to_string().contains("b-taken-off"));
    assert_eq!(board.gaps(), 2, "what came before counts as before");
    // What it held comes in a file: kept, shown, folded into nothing until a person says so.
    brought(&fixture, &later);
    assert_eq!(board.gaps(), 2);
    let view = board.board();
    assert_eq!((&view["counts"]["apart"], &view["apart"][0]["why"], &view["apart"][0]["n"]), (&json!(1), &json!("cut"), &json!(1)));
    let kept = board.get(&format!("/api/board/series/{}/apart", k2.incarnation()));
    println!("{kept}");
    assert_eq!((&kept["entries"][0]["kind"], &kept["entries"][0]["name"], &kept["next"]), (&json!("gap"), &json!("D. Kerr"), &Json::Null));
    assert_eq!(board.say(&k2, Some(3), "found again, the welder says these are his").status, 200);
    assert_eq!((board.gaps(), &board.board()["counts"]["apart"]), (3, &json!(0)));
    assert_eq!(k2.push(&fixture, &later).status, 403, "letting entries in does not let the tablet in");
}

#[test]
fn the_first_words_of_a_board_that_was_changed_meanwhile_are_not_taken() {
    let fixture = Fixture::new();
    let board = Board::of(&fixture, "l-vega");
    let mut k1 = pair(&fixture, 1, "K1");
    let entries = job_with_gap(&mut k1, "20 1/2");
    k1.push(&fixture, &entries);
    let say = |body: &Json| fixture.post(board.who(), "/api/board/series", body);
    let said = board.series(&k1)["said"].clone();
    let good = json!({ "incarnation": k1.incarnation(), "to": 4, "reason": "the last one is of another day", "said": said });
    let mut no_end = good.clone();
    no_end.as_object_mut().unwrap().remove("to");
    assert_eq!(say(&no_end).code(), "not-understood", "the end is never left out");
    for (name, value, code) in [
        ("to", json!(2), "within-transaction"),
        ("to", json!(9), "beyond-head"),
        ("reason", json!(""), "reason-missing"),
        ("said", json!([]), "stands-changed"),
        ("incarnation", json!("00".repeat(16)), "no-series"),
        ("name", json!("no name at all"), "bad-tablet-name"),
    ] {
        let mut bad = good.clone();
        bad[name] = value;
        let got = say(&bad);
        println!("{name}: {} {}", got.status, got.json()["words"]);
        assert_eq!(got.code(), code);
    }
    assert_eq!(board.gaps(), 1);
    assert_eq!(say(&good).status, 200);
    let stale = say(&good);
    assert_eq!((stale.status, stale.code().as_str()), (409, "stands-changed"), "the second of two people is told");
    assert_eq!(stale.json()["series"]["counts_to"], 4);
    let own = board.get("/api/board/series").as_array().unwrap().iter().find(|s| s["standing"] == "own").cloned().unwrap();
    let own = say(&json!({ "incarnation": own["incarnation"], "to": 0, "reason": "x", "said": [] }));
    assert_eq!((own.status, own.code().as_str()), (409, "own-series"));
}

#[test]
fn a_series_nobody_knows_is_kept_apart_until_a_person_decides() {
    let fixture = Fixture::new();
    let board = Board::of(&fixture, "m-diaz");
    let mut k1 = pair(&fixture, 1, "K1");
    let one = job_with_gap(&mut k1, "20 1/2");
    k1.push(&fixture, &one);
    // A tablet of this site that never came here, carried by K1; it calls itself K1, too.
    let mut x = stranger(9, "K1");
    let theirs = gap_at_six(&mut x, "d-kerr", "20 5/8");
    let reply = pushed(&k1.push(&fixture, &theirs));
    assert_eq!((reply.stored, reply.quarantined.len()), (2, 0), "kept whole, and the carrier gets its receipt");
    assert_eq!(board.gaps(), 1);
    let row = board.series(&x);
    println!("{row}");
    assert_eq!(
        (&row["standing"], &row["apart"], &row["looked"], &row["paired"]),
        (&json!("unknown"), &json!(2), &json!(false), &json!(false))
    );
    assert_eq!(board.board()["counts"]["apart"], 2);
    // Looked at, and it stays apart.
    assert_eq!(board.say(&x, Some(0), "nobody here knows that tablet").status, 200);
    let view = board.board();
    assert_eq!((&view["counts"]["apart"], &view["apart"][0]["looked"]), (&json!(0), &json!(true)));
    let more = gap_at_six(&mut x, "d-kerr", "22");
    k1.push(&fixture, &more);
    assert_eq!(board.board()["counts"]["apart"], 3, "what came since was not looked at");
    let taken = board.say(&x, None, "it is the night crew's tablet");
    assert_eq!(taken.status, 200);
    let row = taken.json()["series"].clone();
    assert_eq!((&row["standing"], &row["apart"]), (&json!("counts"), &json!(0)));
    assert_ne!(row["name"], "K1", "its jobs must not be taken for those of K1");
    assert_eq!(board.gaps(), 3);
}

#[test]
fn a_cut_series_is_not_paired_and_the_code_stays_good() {
    let fixture = Fixture::new();
    let board = Board::of(&fixture, "m-diaz");
    let mut k1 = pair(&fixture, 1, "K1");
    let entries = job_with_gap(&mut k1, "20 1/2");
    k1.push(&fixture, &entries);
    board.take_off(&k1, "lost");
    let code = crew::code(&fixture);
    let got = crew::pair_with(&fixture, &code, 1, "K1");
    println!("{}", got.json()["words"]);
    assert_eq!((got.status, got.code().as_str()), (409, "series-cut"));
    // With a new series and the same code it comes back under another name; the old series stays cut.
    let key = journal::SigningKey::from_seed([101; 32]);
    let pin = sync::pairing::Fingerprint(fixture.app().web().pin);
    let asked = |name| serde_json::to_value(crew::ask(&key, k1.device, name, &code, pin, 3)).unwrap();
    assert_eq!(fixture.post(As::default(), "/api/pair", &asked("K1")).code(), "tablet-name-taken");
    let back = fixture.post(As::default(), "/api/pair", &asked("K1-7F2"));
    assert_eq!(back.status, 200, "{}", String::from_utf8_lossy(&back.body));
    assert_eq!(k1.push(&fixture, &entries).status, 403);
    let view = board.board();
    let heard: Vec<_> = view["tablets"].as_array().unwrap().iter().map(|t| (t["name"].clone(), t["heard"].clone())).collect();
    assert_eq!(heard, [(json!("K1"), json!("taken-off")), (json!("K1-7F2"), json!("silent"))]);
}

#[test]
fn a_token_is_good_for_the_series_it_was_given_to() {
    let fixture = Fixture::new();
    let (k1, k2) = (pair(&fixture, 1, "K1"), pair(&fixture, 2, "K2"));
    let hello = k1.says(0, BootId([1; 16]), 1_790_000_000_000);
    for (path, body) in [
        ("/api/sync/hello", hello),
        ("/api/sync/done", json!({ "incarnation": k1.incarnation(), "seq": 0, "entries_waiting": 0, "photos_waiting": 0 })),
    ] {
        let got = fixture.post(k2.who(), path, &body);
        println!("{path}: {}", got.json()["words"]);
        assert_eq!((got.status, got.code().as_str()), (409, "pair-again"));
    }
}

#[test]
fn clocks_are_compared_once_for_each_run_and_again_where_one_moved() {
    let fixture = Fixture::new();
    let board = Board::of(&fixture, "m-diaz");
    let mut k1 = pair(&fixture, 1, "K1");
    let entries = job_with_gap(&mut k1, "20 1/2");
    k1.push(&fixture, &entries);
    let now = fixture.app().wall_ms();
    let compared = || k1.pull(&fixture).iter().filter(|e| e.entry.kind == "clock").count();
    let greet = |boot: u8, ahead: i64| {
        k1.hello_at(&fixture, 0, BootId([boot; 16]), fixture.app().wall_ms() + ahead);
        // The heads follow a greeting whose digest differs; `pull` asks for them.
        compared();
        compared()
    };
    assert_eq!([greet(1, 3_600_000), greet(1, 3_600_000), greet(1, 3_602_000)], [1, 1, 1], "nothing is written twice");
    assert_eq!([greet(1, 3_700_000), greet(2, 3_700_000), greet(2, 3_700_000)], [2, 3, 3]);
    let by = board.get(&format!("/api/board/job/{JOB}"))["fields"]["gap/6"]["answers"][0]["by"][0].clone();
    let skew = by["skew_ms"].as_i64().unwrap();
    println!("at {now}: the entry says {skew} ms");
    assert!((3_590_000..3_610_000).contains(&skew), "the first comparison of that run");
    let mut fixture = fixture;
    fixture.stop();
    fixture.start();
    k1.hello_at(&fixture, 0, BootId([2; 16]), fixture.app().wall_ms() + 3_700_000);
    k1.pull(&fixture);
    assert_eq!(k1.pull(&fixture).iter().filter(|e| e.entry.kind == "clock").count(), 3, "a restart of the server remembers");
}

#[test]
fn a_store_from_before_takes_its_paired_tablets_in_at_the_first_start() {
    let mut fixture = Fixture::new();
    let mut k1 = pair(&fixture, 1, "K1");
    let entries = job_with_gap(&mut k1, "20 1/2");
    fixture.stop();
    // The folder as it would be without the statement: a new journal, and the table of paired tablets.
    let old = fixture.dir.path().join("trailer");
    let tablets = {
        let trailer = tubewright_server::trailer::Trailer::open(&old).unwrap();
        trailer.store.setting("server/tablets").unwrap().unwrap()
    };
    std::fs::remove_dir_all(old.join("store")).unwrap();
    {
        let mut trailer = tubewright_server::trailer::Trailer::open(&old).unwrap();
        trailer.load_plan(crate::fixture::DEMO).unwrap();
        trailer.store.set_setting("server/tablets", &tablets).unwrap();
    }
    {
        let _inside = fixture.runtime.enter();
        let running = serve::start(&options(fixture.dir.path())).unwrap();
        fixture.runtime.block_on(running.stop());
    }
    fixture.start();
    let board = Board::of(&fixture, "m-diaz");
    assert_eq!(k1.push(&fixture, &entries).status, 200);
    assert_eq!(board.gaps(), 1);
    assert_eq!(board.series(&k1)["said"].as_array().unwrap().len(), 1, "said once, over two starts");
}
