//! Bodies of requests in JSON: messages of the exchange, and what a person saves.

use job::check::{CheckContext, body as check_body, parses};
use journal::Value;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value as Json;
use std::fmt::Debug;
use sync::message::{Done, DoneReply, Hello, HelloReply, PairReply, PairRequest, PhotoReply, PushReply};

/// The first byte chooses what the rest is read as.
pub fn check(bytes: &[u8]) {
    let Some((which, rest)) = bytes.split_first() else { return };
    match which % 9 {
        0 => same::<PairRequest>(rest),
        1 => same::<PairReply>(rest),
        2 => same::<Hello>(rest),
        3 => same::<HelloReply>(rest),
        4 => same::<PushReply>(rest),
        5 => same::<PhotoReply>(rest),
        6 => same::<Done>(rest),
        7 => same::<DoneReply>(rest),
        _ => saved(rest),
    }
}

/// What is read means the same when it is written and read again.
fn same<T: Serialize + DeserializeOwned + PartialEq + Debug>(bytes: &[u8]) {
    let Ok(read) = serde_json::from_slice::<T>(bytes) else { return };
    let text = serde_json::to_vec(&read).expect("plain");
    assert_eq!(serde_json::from_slice::<T>(&text).ok().as_ref(), Some(&read));
}

/// `{"kind", "field", "body"}` as a tablet's screen hands it in.
fn saved(bytes: &[u8]) {
    let Ok(json) = serde_json::from_slice::<Json>(bytes) else { return };
    let (Some(kind), Some(field)) = (json["kind"].as_str(), json["field"].as_str()) else { return };
    let plan = &*super::folds::PLAN;
    let view = super::folds::whole_view();
    for view in [None, Some(&view)] {
        let ctx = CheckContext { plan, section: &plan.sections[0], view, field };
        match check_body(kind, &json["body"], &ctx) {
            Ok(clean) => {
                assert!(parses(kind, &clean), "what is saved is understood");
                assert_eq!(check_body(kind, &clean, &ctx).as_ref(), Ok(&clean), "what was let in once is let in again, unchanged");
                if let Ok(value) = Value::from_json(&clean) {
                    assert_eq!(value.to_json(), clean);
                }
            }
            Err(says) => assert!(!says.is_empty() && says.iter().all(|s| !s.code.is_empty() && !s.words.is_empty())),
        }
    }
}
