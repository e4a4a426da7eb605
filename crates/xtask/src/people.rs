//! The people of the demo outage, read from its file so that what is printed is what the server was given.

/// An invented person of the demo outage.
#[derive(Debug, PartialEq, Eq)]
pub struct Person {
    /// Identifier, as the board's sign-in wants it.
    pub id: String,
    /// Name as shown.
    pub name: String,
    /// Roles, with commas between.
    pub roles: String,
    /// PIN: in the clear because nobody real has it.
    pub pin: String,
}

/// Everyone in a demo outage file.
///
/// Reads just the list `people` of flat objects; a JSON library would be this program's only dependency.
pub fn of(outage: &str) -> Vec<Person> {
    let Some(list) = outage.split_once("\"people\"").and_then(|(_, rest)| rest.split_once('[')) else { return Vec::new() };
    let mut people = Vec::new();
    let mut rest = list.1.trim_start();
    while let Some((person, after)) = rest.strip_prefix('{').and_then(|open| open.split_once('}')) {
        if let (Some(id), Some(name), Some(pin)) = (text(person, "id"), text(person, "name"), text(person, "pin_plain")) {
            people.push(Person { id, name, roles: roles(person), pin });
        }
        rest = after.trim_start().trim_start_matches(',').trim_start();
    }
    people
}

/// The text of one key, up to the next quotation mark: enough for names, numbers and codes, which hold none.
pub fn text(object: &str, key: &str) -> Option<String> {
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
        println!("{people:#?}");
        assert_eq!(people.len(), outage.matches("\"pin_plain\"").count());
        for role in ["helper", "welder", "supervisor", "qc"] {
            assert!(people.iter().any(|person| person.roles.contains(role)), "no {role}");
        }
        for Person { id, name, pin, .. } in &people {
            assert!(!id.is_empty() && !name.is_empty() && pin.len() >= 4 && pin.bytes().all(|b| b.is_ascii_digit()), "{id}: {name}, {pin}");
        }
    }

    #[test]
    fn other_lists_are_not_taken_for_people() {
        assert!(of("{}").is_empty());
        let one = of(
            r#"{"people": [ {"id": "a", "name": "A B", "roles": ["helper", "welder"], "pin_plain": "12"} ], "x": [{"id": "c", "name": "C", "pin_plain": "3"}]}"#,
        );
        let ab = Person { id: "a".to_owned(), name: "A B".to_owned(), roles: "helper, welder".to_owned(), pin: "12".to_owned() };
        assert_eq!(one, [ab]);
    }
}
