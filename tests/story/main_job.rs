//! The main job through the real store and the real server over TLS, with two tablets that conflict on the gap; then
//! every projection is dropped and folded again: the same state, byte for byte.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use store::{Options, Store};
use tubewright_tests::story;

#[tokio::test(flavor = "multi_thread")]
async fn the_main_job_end_to_end_with_two_tablets_that_disagree() {
    let dir = tempfile::tempdir().unwrap();
    let played = story::play(dir.path()).await;
    let [trailer, k1, k2] = &played.folders;
    for folder in [&trailer.join("store"), k1, k2] {
        let mut store = Store::open(folder, Options::default()).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
        let before = store.state_bytes().unwrap();
        store.rebuild().unwrap();
        let after = store.state_bytes().unwrap();
        assert!(before.len() > 10_000, "there is a state to compare");
        assert!(before == after, "{}: folding again gives another state", folder.display());
        println!("{}: {} bytes of projections, the same after folding the journal again", folder.display(), before.len());
    }
}
