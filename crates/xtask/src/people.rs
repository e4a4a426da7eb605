//! The people of the demo outage, read from its file so that what is printed is what the server was given.

/// Name, roles and PIN of everyone in a demo outage file. The PINs are there in the clear because the people are invented.
///
/// Reads just the list `people` of flat objects; a JSON library would be this program's only dependency.
pub fn of(outage: &str) -> Vec<[String; 3]> {
    let Some(list) = outage.split_once("\"people\"").and_then(|(_, rest)| rest.split_once('[')) else { return Vec::new() };
    let mut people = Vec::new();
    let mut rest = list.1.trim_start();
    while let Some((person, after)) = rest.strip_prefix('{').and_then(|open| open.split_once('}')) {
        if let (Some(name), Some(pin)) = (text(person, "name"), text(person, "pin_plain")) {
            people.push([name, roles(person), pin]);
        }
        rest = after.trim_start().trim_start_matches(',').trim_start();
    }
    people
}

fn text(object: &str, key: &str) -> Option<String> {
    let (_, after) = object.split_once(&format!("\"{key}\""))?;
    let value = after.trim_start().strip_prefix(':')?.trim_start().strip_prefix('"')?;
    value.split_once('"').map(|(value, _)| value.to_owned())
}

fn roles(object: &str) -> String {
    let list = object.split_once("\"roles\"").and_then(|(_, rest)| rest.split_once('[')).and_then(|(_, rest)| rest.split_once(']'));
    let words = list.map_or("", |(inside, _)| inside).split('"').skip(1).step_by(2);
    words.collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn everyone_of_the_demo_outage_is_found() {
        let outage = include_str!("../../../server/demo/outage.json");
        let people = of(outage);
        assert_eq!(people.len(), outage.matches("\"pin_plain\"").count(), "{people:?}");
        for role in ["helper", "welder", "supervisor", "qc"] {
            assert!(people.iter().any(|[_, roles, _]| roles.contains(role)), "no {role} in {people:?}");
        }
        assert!(
            people.iter().all(|[name, _, pin]| !name.is_empty() && pin.len() >= 4 && pin.bytes().all(|b| b.is_ascii_digit())),
            "{people:?}"
        );
    }

    #[test]
    fn other_lists_are_not_taken_for_people() {
        assert!(of("{}").is_empty());
        let one = of(
            r#"{"people": [ {"name": "A B", "roles": ["helper", "welder"], "pin_plain": "12"} ], "x": [{"name": "C", "pin_plain": "3"}]}"#,
        );
        assert_eq!(one, [["A B".to_owned(), "helper, welder".to_owned(), "12".to_owned()]]);
    }
}
