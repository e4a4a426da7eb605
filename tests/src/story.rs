//! The main job, whole: two tablets record with no server running and disagree on the gap; in the trailer the real
//! server takes both over TLS, the board shows what is unsigned and disputed, the supervisor settles it, and the job
//! goes on to its last signature.

use crate::crew::{self, Crew, tape};
use crate::trailer::{self, Trailer};
use reqwest::Method;
use serde_json::{Value as Json, json};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};

/// What the story leaves behind.
pub struct Played {
    /// What happened, line by line.
    pub lines: Vec<String>,
    /// The job.
    pub job: String,
    /// Data folders: trailer, first tablet, second tablet.
    pub folders: [PathBuf; 3],
    /// A copy of the three, made while two answers stood.
    pub two_answers: PathBuf,
    /// The port on which the tablets know the trailer.
    pub port: u16,
}

/// Prints what happens and keeps it for the summary.
#[derive(Default)]
pub struct Log(pub Vec<String>);

impl Log {
    /// One line.
    pub fn say(&mut self, line: impl Into<String>) {
        let line = line.into();
        println!("{line}");
        self.0.push(line);
    }
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port()
}

/// Copies folders at rest: no server runs and the tablets do nothing. What binds a tablet's key to its place is left out:
/// this is the same tablet a little earlier, not a second one beside it.
fn copy(from: &Path, to: &Path) {
    let _ = std::fs::remove_dir_all(to);
    std::fs::create_dir_all(to).expect("a folder");
    for item in std::fs::read_dir(from).expect("a folder").flatten().filter(|i| i.file_name() != "place.json") {
        let target = to.join(item.file_name());
        if item.path().is_dir() {
            copy(&item.path(), &target);
        } else {
            std::fs::copy(item.path(), target).expect("a copy");
        }
    }
}

fn nobody_listens(port: u16) -> bool {
    TcpStream::connect(("127.0.0.1", port)).is_err()
}

fn text(json: &Json) -> &str {
    json.as_str().unwrap_or_default()
}

/// The sentence on top of the board, in English.
pub fn sentence(board: &Json) -> String {
    let parts = board["sentence"].as_array().into_iter().flatten();
    parts.map(|s| text(&s["words"]).to_owned()).collect::<Vec<_>>().join(" · ")
}

/// Plays the story in `dir` (which should be empty).
pub async fn play(dir: &Path) -> Played {
    let mut log = Log::default();
    let folders = ["trailer", "K1", "K2"].map(|n| dir.join(n));
    for folder in &folders {
        std::fs::create_dir_all(folder).expect("a folder");
    }
    let [data, k1_dir, k2_dir] = &folders;
    trailer::init(data);
    let port = free_port();

    log.say("1. In the trailer: the server is set up with the demo outage; two tablets are paired.");
    let (k1, k2) = pair_both(data, port, k1_dir, k2_dir, &mut log).await;

    log.say("2. In the furnace, no network: tablet K1 finds the failure, counts twice, photographs, reads the wall.");
    assert!(nobody_listens(port), "no server may run while the crew records");
    let job = crew::find_and_read(&k1, true);
    crew::decide_and_prepare(&k1, &job);
    say_first_day(&k1, &job, &mut log);

    log.say("3. Both tablets are in the trailer for a minute: K2 gets the job.");
    sync_both(data, port, &k1, &k2).await;
    assert_eq!(k1.only_here(), (0, 0), "all of K1 is in the trailer");

    log.say("4. Back in the furnace, no network: both crews measure the gap, neither sees the other's figure.");
    assert!(nobody_listens(port), "no server may run while the crew records");
    measure_apart(&k1, &k2, &job, &mut log);

    log.say("5. In the trailer again: both tablets sync over TLS; the board tells.");
    let two_answers = dir.with_extension("two-answers");
    copy(dir, &two_answers);
    settle_at_the_board(data, port, &k1, &k2, &job, &mut log).await;

    log.say("6. The piece goes in: fit-up, welds, examination, test; everybody signs what stands.");
    finish(&k1, &job, &mut log);
    close(data, port, &k1, &k2, &job, &mut log).await;
    Played { lines: log.0, job, folders, two_answers, port }
}

async fn pair_both(data: &Path, port: u16, k1_dir: &Path, k2_dir: &Path, log: &mut Log) -> (Crew, Crew) {
    let mut server = Trailer::start(data, port);
    server.sign_in("m-diaz").await;
    let (k1, k2) = (Crew::open(k1_dir, "K1"), Crew::open(k2_dir, "K2"));
    for crew in [&k1, &k2] {
        let code = server.pairing().await;
        let qr = text(&code["text"]).to_owned();
        let paired = blocking(|| crew.pair(&qr)).unwrap_or_else(|f| panic!("{} can't be paired: {f:?}", crew.name));
        log.say(format!("   {} paired with {} as {}", crew.name, text(&paired["plant"]), text(&paired["tablet"])));
        let used = blocking(|| crew.pair(&qr));
        assert!(used.is_err(), "a used code must not work again");
    }
    server.stop();
    (k1, k2)
}

/// The folder of a paired tablet that has its plan; no server runs any more.
pub async fn paired(dir: &Path) -> PathBuf {
    let data = dir.join("trailer");
    trailer::init(&data);
    let mut server = Trailer::start(&data, 0);
    server.sign_in("m-diaz").await;
    let code = server.pairing().await;
    let folder = dir.join("K4");
    let crew = Crew::open(&folder, "K4");
    blocking(|| crew.pair(text(&code["text"]))).unwrap_or_else(|f| panic!("not paired: {f:?}"));
    server.stop();
    folder
}

/// Runs what blocks without stopping the runtime.
pub fn blocking<T>(work: impl FnOnce() -> T) -> T {
    tokio::task::block_in_place(work)
}

fn say_first_day(k1: &Crew, job: &str, log: &mut Log) {
    let view = k1.job(job);
    let wall = &view["sums"]["wall"];
    log.say(format!("   job {}: tube {} at {}", text(&view["number"]), view["tube"], text(&view["elevation"]["typed"])));
    log.say(format!(
        "   counts: {} from the left, {} from the right, {} tubes: {}",
        view["sums"]["count"]["first"],
        view["sums"]["count"]["second"],
        view["sums"]["count"]["tubes"],
        text(&view["sums"]["count"]["state"])
    ));
    log.say(format!(
        "   thinnest {} in; required minimum {} in by {}: {}",
        text(&wall["least"]["typed"]),
        text(&wall["required"]["typed"]),
        text(&wall["trace"]["source"]),
        text(&wall["verdict"])
    ));
    assert_eq!(text(&view["sums"]["count"]["state"]), "meets");
    assert_eq!(text(&wall["verdict"]), "below");
    let (records, photos) = k1.only_here();
    log.say(format!("   only on K1: {records} records and {photos} photos"));
    assert!(records > 20 && photos == 3);
}

async fn sync_both(data: &Path, port: u16, k1: &Crew, k2: &Crew) {
    let server = Trailer::start(data, port);
    for crew in [k1, k2, k1] {
        blocking(|| crew.sync()).unwrap_or_else(|f| panic!("{} can't sync: {f:?}", crew.name));
    }
    server.stop();
}

fn measure_apart(k1: &Crew, k2: &Crew, job: &str, log: &mut Log) {
    crew::gap_and_piece(k1, job);
    k2.sign_in("d-kerr");
    k2.record_blind(job, "gap/6", json!({"gap": tape("20 5/8"), "instrument": "T-07"}));
    let cut = k1.job(job)["sums"]["cut"].clone();
    log.say(format!(
        "   K1: M. Soto reads 20 1/2 in at 6 o'clock; cut length {} in ({})",
        text(&cut["length"]["typed"]),
        text(&cut["trace"]["formula"])
    ));
    log.say("   K2: D. Kerr reads 20 5/8 in at 6 o'clock");
    assert!(cut["length"].is_object(), "no cut length: {cut}");
}

async fn settle_at_the_board(data: &Path, port: u16, k1: &Crew, k2: &Crew, job: &str, log: &mut Log) {
    let mut server = Trailer::start(data, port);
    server.sign_in("m-diaz").await;
    for crew in [k1, k2] {
        blocking(|| crew.sync()).unwrap_or_else(|f| panic!("{} can't sync: {f:?}", crew.name));
    }
    let board = server.board().await;
    log.say(format!("   board: {}", sentence(&board)));
    assert_eq!(board["ready"], false);
    assert_eq!(board["counts"]["two_answers"], 1);
    assert!(board["counts"]["signatures"].as_u64().unwrap_or(0) > 0, "nothing is signed yet");
    let view = server.job(job).await;
    let field = &view["fields"]["gap/6"];
    let answers: Vec<&str> = field["answers"].as_array().into_iter().flatten().map(|a| text(&a["body"]["gap"]["typed"])).collect();
    log.say(format!("   two answers at 6 o'clock: {}; {}", answers.join(" in and ") + " in", text(&field["apart"]["words"])));
    assert_eq!(answers.len(), 2);

    let settle = json!({
        "job": job, "field": "gap/6", "body": {"gap": tape("20 1/2"), "instrument": "T-12"},
        "reason": "measured again by both together", "basis": field["basis"], "pin": crew::pin("m-diaz"),
    });
    let (status, said) = server.request(Method::POST, "/api/board/settle", Some(&settle)).await;
    assert!(status.is_success(), "settling refused: {said}");
    for crew in [k1, k2] {
        blocking(|| crew.sync()).unwrap_or_else(|f| panic!("{} can't sync: {f:?}", crew.name));
        let field = crew.job(job)["fields"]["gap/6"].clone();
        assert_eq!(field["state"], "agreed", "the settlement reached {}", crew.name);
        assert_eq!(field["past"].as_array().map(Vec::len), Some(2), "both answers stay readable");
    }
    log.say("   M. Diaz settles it with a reason at the board; both tablets have the settlement, both answers stay readable");
    assert_same(&mut server, k1, k2, job).await;
    server.stop();
}

/// All three hold the same job, byte for byte (but for what only a tablet knows: where its records live).
async fn assert_same(server: &mut Trailer, k1: &Crew, k2: &Crew, job: &str) {
    let strip = |mut view: Json| {
        view.as_object_mut().expect("a view").remove("lives");
        view.to_string()
    };
    let board = strip(server.job(job).await);
    assert_eq!(strip(k1.job(job)), board, "K1 and the trailer show the same job");
    assert_eq!(strip(k2.job(job)), board, "K2 and the trailer show the same job");
}

fn finish(k1: &Crew, job: &str, log: &mut Log) {
    crew::weld_and_close(k1, job);
    let plan = k1.call("plan", json!({}));
    let who = |role: &str| match role {
        "helper" => "j-ortiz",
        "welder" => "m-soto",
        "supervisor" => "g-holm",
        "qc" => "l-vega",
        "engineer" => "p-lindahl",
        "inspector" => "r-okoye",
        _ => "t-brandt",
    };
    let refused = {
        k1.sign_in("m-soto");
        let args = json!({"job": job, "gate": "material", "role": "qc", "pin": crew::pin("m-soto"), "lang": "en", "covers": []});
        k1.refused("sign", args)
    };
    log.say(format!("   a welder tries to sign for QC: refused ({})", refused.words));
    for gate in plan["hold_points"].as_array().expect("hold points") {
        for role in gate["roles"].as_array().expect("roles") {
            k1.sign(job, text(&gate["id"]), text(role), who(text(role)));
        }
        let level = k1.job(job)["level"].as_u64().unwrap_or(0);
        log.say(format!("   {} signed; level {level} of 12", text(&gate["name"]["en"])));
    }
    assert_eq!(k1.job(job)["level"], 12);
}

async fn close(data: &Path, port: u16, k1: &Crew, k2: &Crew, job: &str, log: &mut Log) {
    let mut server = Trailer::start(data, port);
    server.sign_in("m-diaz").await;
    let before = server.board().await;
    log.say(format!("   board before the last sync: {}", sentence(&before)));
    assert_eq!(before["ready"], false, "what K1 holds is not in the trailer yet");
    for crew in [k1, k2] {
        blocking(|| crew.sync()).unwrap_or_else(|f| panic!("{} can't sync: {f:?}", crew.name));
        assert_eq!(crew.only_here(), (0, 0), "{}: all is in the trailer", crew.name);
    }
    let board = server.board().await;
    log.say(format!("   board: {}", sentence(&board)));
    assert_eq!(board["ready"], true, "everything signed, everything heard");
    assert_eq!(board["counts"]["photos_away"], 0);
    assert_same(&mut server, k1, k2, job).await;
    server.stop();
}
