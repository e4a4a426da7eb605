//! Plan files and rosters: whatever is let in can be written, travels unchanged, and every view can be made with it.

use job::plan::{Person, SitePlan};
use job::{Devices, JobFold};
use journal::{Value, cbor};
use serde_json::Value as Json;

/// A plan as it stands in the journal.
pub fn plan(bytes: &[u8]) {
    let Ok(plan) = serde_json::from_slice::<SitePlan>(bytes) else { return };
    let json = serde_json::to_value(&plan).expect("a plan is plain");
    assert_eq!(serde_json::from_value::<SitePlan>(json.clone()).ok().as_ref(), Some(&plan));
    let body = Value::from_json(&json).expect("a plan holds exact figures only");
    assert!(cbor::encode(&body).is_ok());
    let faults = plan.faults(None);
    assert!(faults.iter().all(|words| words.ends_with(['.', ')']) && words.len() > 10), "{faults:?}");
    // A plan comes in an entry too, from a program that may not have looked: views are made with it all the same.
    let (mut fold, mut devices) = (JobFold::new(super::folds::JOB), Devices::default());
    for sealed in super::folds::WHOLE.iter() {
        devices.insert(sealed);
        fold.insert(sealed);
    }
    let view = fold.view(&plan, &devices);
    if let Some(view) = view {
        serde_json::to_string(&view).expect("a view is plain");
    }
}

/// The people of a roster, put into a good plan.
pub fn roster(bytes: &[u8]) {
    let Ok(people) = serde_json::from_slice::<Vec<Person>>(bytes) else { return };
    let mut plan = super::folds::PLAN.clone();
    plan.people = people;
    if plan.faults(None).is_empty() {
        for person in &plan.people {
            assert!(job::pin::is_usable(&person.pin), "a PIN that cannot be checked locks its person out");
            assert_eq!(plan.person(&person.id), Some(person), "one person to a name");
        }
    }
    for person in &plan.people {
        let usable = job::pin::is_usable(&person.pin);
        // Hashing takes its time by design: only what must be refused at once is tried here.
        assert!(usable || !job::pin::verify("481516", &person.pin));
        let says: Json = serde_json::to_value(person).expect("plain");
        assert_eq!(serde_json::from_value::<Person>(says).ok().as_ref(), Some(person));
    }
    for role in job::signing::waiver_roles(plan.people.first().unwrap_or(&super::folds::PLAN.people[0])) {
        assert!(job::gates::MAY_WAIVE.contains(&role));
    }
}
