//! The plan file: a site plan in JSON in which a person has `"pin_plain": "481516"` instead of `pin`.
//!
//! The plain PIN never reaches the journal: it is hashed while loading. Where a person's standing hash already fits the
//! PIN it is kept, so that loading the same file twice changes nothing.

use crate::clock::random;
use crate::fault::Fault;
use job::{SitePlan, pin};
use journal::PersonId;
use serde_json::Value as Json;

/// Largest plan file.
const LARGEST: usize = 240 * 1024;

/// Reads a plan file.
///
/// # Errors
/// A fault that lists what is wrong; nothing is changed.
pub fn read(text: &str, standing: Option<&SitePlan>) -> Result<SitePlan, Fault> {
    if text.len() > LARGEST {
        return Err(refused(&[format!("It is longer than {} KiB.", LARGEST / 1024)]));
    }
    let mut json: Json = serde_json::from_str(text).map_err(|e| refused(&[format!("It is not JSON: {e}.")]))?;
    let people = json.get_mut("people").and_then(Json::as_array_mut).map(Vec::as_mut_slice).unwrap_or_default();
    for person in people {
        hash_pin(person, standing)?;
    }
    let plan: SitePlan = serde_json::from_value(json).map_err(|e| refused(&[format!("A field is missing or wrong: {e}.")]))?;
    let wrong = plan.faults(standing);
    if wrong.is_empty() { Ok(plan) } else { Err(refused(&wrong)) }
}

fn hash_pin(person: &mut Json, standing: Option<&SitePlan>) -> Result<(), Fault> {
    let Some(map) = person.as_object_mut() else { return Ok(()) };
    let Some(plain) = map.remove("pin_plain") else { return Ok(()) };
    let id = map.get("id").and_then(Json::as_str).unwrap_or_default().to_owned();
    let plain = plain.as_str().unwrap_or_default();
    let kept = standing.and_then(|p| p.person(&PersonId(id.clone()))).map(|p| &p.pin).filter(|phc| pin::verify(plain, phc));
    let phc = match kept {
        Some(phc) => phc.clone(),
        None => pin::hash(plain, &random()?).ok_or_else(|| refused(&[format!("The PIN of {id} is not six figures.")]))?,
    };
    map.insert("pin".to_owned(), Json::String(phc));
    Ok(())
}

fn refused(wrong: &[String]) -> Fault {
    let words = format!("The plan file was not taken. Nothing was changed; a plan loaded before still stands. {}", wrong.join(" "));
    Fault::new(400, "bad-plan", words)
}

#[cfg(test)]
mod tests {
    use super::*;

    const DEMO: &str = include_str!("../demo/outage.json");

    #[test]
    fn the_demo_plan_is_whole() {
        let plan = read(DEMO, None).unwrap();
        println!("{}: {} sections, {} people, {} hold points", plan.plant, plan.sections.len(), plan.people.len(), plan.hold_points.len());
        assert!(!serde_json::to_string(&plan).unwrap().contains("481516"), "no plain PIN is kept");
        assert!(pin::verify("481516", &plan.person(&PersonId("ana-r".into())).unwrap().pin));
        assert!(plan.people.iter().any(|p| p.lang == "es") && plan.people.iter().any(|p| p.lang == "en"));
        for words in plan
            .hold_points
            .iter()
            .flat_map(|h| [&h.name, &h.statement])
            .chain(plan.checks.iter().flat_map(|c| [&c.name, &c.answer, &c.caution]))
        {
            assert!(!words.en.is_empty() && !words.es.is_empty() && (words.en != words.es || words.en.len() < 12), "{words:?}");
        }
        assert!(plan.checks.iter().all(|c| !c.source.is_empty()));
        for s in &plan.sections {
            let (od, allowable) = (s.tube.od.value.to_f64(), s.tube.allowable.value.to_f64());
            let needs = trade::wall::tube_wall(od, s.tube.design_pressure.value.to_f64(), allowable, 0.0);
            println!("{}: ordered {} in, needs {needs:.4} in", s.id, s.tube.wall.typed);
            assert!(needs < s.tube.wall.value.to_f64(), "an ordered wall under the minimum would flag every reading");
        }
    }

    #[test]
    fn the_same_file_twice_changes_nothing_and_a_new_pin_does() {
        let one = read(DEMO, None).unwrap();
        let two = read(DEMO, Some(&one)).unwrap();
        assert_eq!(one, two);
        let three = read(&DEMO.replace("481516", "111222"), Some(&one)).unwrap();
        assert_ne!(one, three);
    }

    #[test]
    fn a_plan_that_cannot_work_is_refused_with_words() {
        let one = read(DEMO, None).unwrap();
        let cases = [
            ("{", "not JSON"),
            (&DEMO.replace("481516", "48151"), "six figures"),
            (&DEMO.replacen("\"tubes\": 120", "\"tubes\": 0", 1), "no tubes"),
            (&DEMO.replace("\"m-soto\"", "\"ana-r\""), "twice"),
            (&DEMO.replace("[\"inspector\"]", "[\"helper\"]"), "nobody on the roster"),
            (&DEMO.replace("6d617272", "00000000"), "another site"),
            (&DEMO.replace("\"after_step\": 1,", "\"after_step\": 13,"), "outside 1 to 12"),
            (&DEMO.replace("\"code_of_record\"", "\"code\""), "missing"),
        ];
        for (text, expected) in cases {
            let fault = read(text, Some(&one)).unwrap_err();
            println!("{fault}");
            assert!(fault.say.words.contains(expected), "{expected}");
        }
    }
}
