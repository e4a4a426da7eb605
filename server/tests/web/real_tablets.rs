//! Real tablets, as the app runs them, against the real server: pair, record apart, sync, settle at the board, sync.

use crate::fixture::{As, Fixture, pin};
use serde_json::{Value as Json, json};
use tablet::Tablet;

fn open(fixture: &Fixture, name: &str) -> Tablet {
    let tablet = Tablet::open(&fixture.dir.path().join(name)).unwrap();
    let invitation = tubewright_server::pair::invite(fixture.app()).unwrap();
    let paired = tablet.call("pair", json!({ "text": invitation.text, "name": name })).unwrap();
    println!("{paired}");
    assert_eq!(paired["tablet"], name);
    sync(&tablet);
    tablet
}

fn sync(tablet: &Tablet) {
    let state = tablet.sync_blocking().unwrap();
    assert_eq!((&state["lives"]["entries_here"], &state["lives"]["photos_here"]), (&json!(0), &json!(0)), "{state}");
}

fn call(tablet: &Tablet, name: &str, args: Json) -> Json {
    tablet.call(name, args.clone()).unwrap_or_else(|f| panic!("{name} {args}: {f}"))
}

fn sign_in(tablet: &Tablet, person: &str) {
    call(tablet, "sign_in", json!({ "person": person, "pin": pin(person) }));
}

fn gap(tablet: &Tablet, person: &str, job: &str, typed: &str) {
    sign_in(tablet, person);
    let body = json!({ "gap": { "typed": typed, "unit": "in", "mark": [1, 16] }, "instrument": "T-12" });
    call(tablet, "record", json!({ "job": job, "field": "gap/6", "body": body, "basis": [] }));
}

fn picture() -> Vec<u8> {
    let pixels = image::RgbImage::from_fn(640, 480, |x, y| image::Rgb([(x % 256) as u8, (y % 256) as u8, ((x * y) % 256) as u8]));
    let mut out = std::io::Cursor::new(Vec::new());
    pixels.write_to(&mut out, image::ImageFormat::Jpeg).unwrap();
    out.into_inner()
}

#[test]
fn two_tablets_record_apart_and_meet_in_the_trailer() {
    let fixture = Fixture::new();
    let (k1, k2) = (open(&fixture, "K1"), open(&fixture, "K2"));
    sign_in(&k1, "ana-r");
    let place = json!({ "section": "front-wall", "row": 1, "tube": 47, "elevation": { "typed": "54 1/2", "unit": "ft" }, "side": "fire", "landmark": "" });
    let opened = call(&k1, "open_job", json!({ "section": "front-wall", "place": place }));
    let job = opened["job"].as_str().unwrap();
    let photo = k1.photo_put(json!({ "job": job, "view": "overview", "caption": "" }), picture()).unwrap();
    let hash = photo["hash"].as_str().unwrap();
    sync(&k1);
    sync(&k2);
    gap(&k1, "m-soto", job, "20 1/2");
    gap(&k2, "d-kerr", job, "20 5/8");
    sync(&k1);
    sync(&k2);
    let cookie = fixture.sign_in("m-diaz");
    let who = As { cookie: Some(&cookie), ..As::default() };
    let board = fixture.get(who, "/api/board").json();
    println!("{}", board["sentence"]);
    assert_eq!(
        (&board["counts"]["two_answers"], &board["counts"]["photos_away"], &board["counts"]["silent"]),
        (&json!(1), &json!(0), &json!(0))
    );
    for (size, kind) in [("256", "image/jpeg"), ("1600", "image/jpeg"), ("full", "image/jpeg")] {
        let got = fixture.get(who, &format!("/api/board/photo/{hash}/{size}"));
        println!("photo {size}: {} bytes", got.body.len());
        assert_eq!((got.status, got.header("content-type")), (200, Some(kind)));
    }
    let view = fixture.get(who, &format!("/api/board/job/{job}")).json();
    let settle = json!({
        "job": job, "field": "gap/6", "body": { "gap": { "typed": "20 9/16", "unit": "in", "mark": [1, 16] }, "instrument": "T-12" },
        "reason": "measured again, both together", "basis": view["fields"]["gap/6"]["basis"], "pin": pin("m-diaz"),
    });
    let settled = fixture.post(who, "/api/board/settle", &settle);
    assert_eq!(settled.status, 200, "{}", String::from_utf8_lossy(&settled.body));
    for tablet in [&k1, &k2] {
        sync(tablet);
        let field = call(tablet, "job", json!({ "job": job }))["fields"]["gap/6"].clone();
        assert_eq!((&field["state"], &field["answers"][0]["body"]["gap"]["typed"]), (&json!("agreed"), &json!("20 9/16")));
    }
}

#[test]
fn a_used_code_and_a_stranger_certificate_reach_the_tablet_as_sentences() {
    let fixture = Fixture::new();
    let text = tubewright_server::pair::invite(fixture.app()).unwrap().text;
    let pair =
        |name: &str, text: &str| Tablet::open(&fixture.dir.path().join(name)).unwrap().call("pair", json!({ "text": text, "name": name }));
    pair("K1", &text).unwrap();
    let used = pair("K2", &text).unwrap_err();
    println!("{used}");
    assert!(used.to_string().contains("used"), "{used}");
    let real = hex::encode(fixture.app().web().pin);
    let other = pair("K3", &text.replace(&real, &"0".repeat(64))).unwrap_err();
    println!("{other}");
    assert_eq!(other.code(), "other-certificate");
}
