//! `docs/trade.md` and the code must name the same rules, and every trace must be whole.

use trade::{BlockStep, Measure, Trace, Unit, WallInputs};

const DOC: &str = include_str!("../../../docs/trade.md");

fn m(typed: &str, unit: Unit) -> Measure {
    Measure::parse(typed, unit, None).expect("a readable row")
}

/// One trace of every rule, with the rarer cautions on.
fn traces() -> Vec<Trace> {
    let inch = |typed: &str| m(typed, Unit::Inch);
    let inputs = WallInputs {
        od: inch("2.5"),
        pressure: m("1000", Unit::Psi),
        allowable: m("12400", Unit::Psi),
        allowable_source: "made up".to_owned(),
        metal_temperature: m("600", Unit::Fahrenheit),
        expanded: true,
    };
    let gaps = |gap: &str| ["12", "3", "6", "9"].map(|clock| (clock.to_owned(), inch(gap))).to_vec();
    let reading = inch("0.165");
    vec![
        trade::minimum_wall(&inputs).expect("inside").trace,
        trade::allowable_pressure(&inputs.od, &reading, &inputs.allowable, true).expect("inside").trace,
        trade::check_gauge(&[BlockStep { nominal: inch("0.1"), read: inch("0.2") }]).trace,
        trade::corrected(&reading, &m("150", Unit::Fahrenheit)).expect("inside").trace,
        trade::reading_uncertainty(&reading).trace,
        trade::verdict(&reading, &reading).trace,
        trade::cut_length(&gaps("10"), &inch("1/8")).expect("inside").trace,
        trade::shrinkage_band(&inch("2.5"), &reading, &inch("1/8"), &inch("1/16"), 375).expect("inside").trace,
        trade::openings(&gaps("10"), &inch("11")).expect("inside").trace,
    ]
}

#[test]
fn every_rule_is_in_the_document() {
    for trace in traces() {
        println!("{}: {}", trace.rule, trace.result);
        assert!(DOC.contains(&format!("### `{}`", trace.rule)), "docs/trade.md has no part for {}", trace.rule);
    }
    let described = DOC.lines().filter(|line| line.starts_with("### `") && line.contains('.') && !line.starts_with("### `same")).count();
    assert_eq!(described, traces().len(), "a rule is described that has no trace here, or the other way round");
}

#[test]
fn every_trace_is_whole() {
    for trace in traces() {
        let Trace { rule, formula, inputs, result, source, edition, range, cautions } = trace;
        for (name, text) in [("formula", &formula), ("result", &result), ("source", &source), ("edition", &edition), ("range", &range)] {
            assert!(!text.trim().is_empty(), "{rule}: {name} is empty");
        }
        assert!(!inputs.is_empty() && inputs.iter().all(|i| !i.symbol.is_empty() && !i.name.is_empty() && !i.value.is_empty()), "{rule}");
        assert!(cautions[0].starts_with("aid-only: "), "{rule}: the first caution is the aid-only line");
        for caution in &cautions {
            println!("{rule}: {caution}");
            let (code, words) = caution.split_once(": ").expect("code: words");
            assert!(code.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-'), "{rule}: {code}");
            assert!(words.ends_with('.'), "{rule}: {words}");
        }
    }
}
