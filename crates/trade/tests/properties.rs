//! Properties that hold for every input: round trips, order, units, and that nothing panics. 256 cases each.

use proptest::prelude::*;
use trade::cut::{cut_length, opening_verdict, openings, same_tube_count, shrinkage_band};
use trade::gauge::gauge_line;
use trade::limits::{self, Plausible};
use trade::show::{decimal_text, exact_text, fraction_text, other_unit};
use trade::wall::{tube_pressure, tube_wall};
use trade::{
    BlockStep, Measure, Ratio, Round, Unit, WallInputs, allowable_pressure, apart, check_gauge, corrected, minimum_wall,
    reading_uncertainty, verdict,
};

const UNITS: [Unit; 9] =
    [Unit::Inch, Unit::Foot, Unit::Millimetre, Unit::Metre, Unit::Psi, Unit::Megapascal, Unit::Bar, Unit::Celsius, Unit::Fahrenheit];
const LENGTHS: [Unit; 4] = [Unit::Inch, Unit::Foot, Unit::Millimetre, Unit::Metre];

fn ratio(num: i64, den: i64) -> Ratio {
    Ratio::new(num, den).expect("the strategy keeps the denominator above zero")
}

fn any_unit() -> impl Strategy<Value = Unit> {
    prop::sample::select(UNITS.to_vec())
}

/// Any measure at all: every unit, every fraction that can be stored, with and without a mark.
fn any_measure() -> impl Strategy<Value = Measure> {
    let number = prop_oneof![any::<i64>(), -10_000_i64..10_000, Just(i64::MIN), Just(i64::MAX), Just(0)];
    let den = prop_oneof![1_i64..=i64::MAX, 1_i64..=128, Just(i64::MAX)];
    let mark = prop::option::of((any::<i64>(), 1_i64..=i64::MAX));
    (number, den, any_unit(), mark, any::<String>()).prop_map(|(num, den, unit, mark, typed)| Measure {
        typed,
        value: Ratio::new(num, den).unwrap_or(Ratio::whole(0)),
        unit,
        mark: mark.and_then(|(n, d)| Ratio::new(n, d)),
    })
}

/// A length as people type them: sixteenths and sixty-fourths of an inch, tenths and hundredths of a millimetre.
fn typed_length() -> impl Strategy<Value = Measure> {
    prop_oneof![
        (1_i64..4_000, prop::sample::select(vec![1_i64, 2, 4, 8, 16, 32, 64, 1_000]))
            .prop_map(|(n, d)| Measure::exact(ratio(n, d), Unit::Inch)),
        (1_i64..300_000, prop::sample::select(vec![1_i64, 2, 10, 100])).prop_map(|(n, d)| Measure::exact(ratio(n, d), Unit::Millimetre)),
    ]
}

fn in_other(m: &Measure, unit: Unit) -> Measure {
    Measure::exact(m.in_unit(unit).expect("a typed length converts exactly"), unit)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, max_global_rejects: 100_000, ..ProptestConfig::default() })]

    #[test]
    fn the_parser_takes_any_text(text in any::<String>(), unit in any_unit()) {
        if let Ok(m) = Measure::parse(&text, unit, None) {
            prop_assert_eq!(m.typed.as_str(), text.trim(), "what was typed is kept");
            prop_assert!(m.value.to_f64().is_finite() && m.is_as_typed());
        }
    }

    #[test]
    fn the_parser_takes_texts_near_numbers(text in r#"[-+]?[0-9 ./'"]{0,26}"#, unit in any_unit()) {
        let first = Measure::parse(&text, unit, None);
        if let Ok(m) = &first {
            let again = Measure::parse(&m.typed, unit, None);
            prop_assert_eq!(first.clone().ok(), again.ok());
        }
    }

    #[test]
    fn what_is_shown_reads_back(num in -9_999_999_i64..9_999_999, den in 1_i64..=9_999, unit in any_unit()) {
        let value = ratio(num, den);
        let shown = exact_text(&value, unit);
        let back = Measure::parse(&shown, unit, None);
        prop_assert!(back.is_ok(), "{shown} cannot be read: {back:?}");
        let back = back.expect("just checked");
        prop_assert_eq!(back.value, value, "{}", shown);
        let json = serde_json::to_string(&back).expect("a measure is plain data");
        prop_assert_eq!(serde_json::from_str::<Measure>(&json).ok(), Some(back.clone()), "{}", json);
        let forged = Measure { value: value.add(ratio(1, 9_973)).expect("fits"), ..back };
        prop_assert!(!forged.is_as_typed(), "{} is not worth {:?}", forged.typed, forged.value);
        let fraction = fraction_text(&value);
        prop_assert_eq!(Measure::parse(&fraction, unit, None).map(|m| m.value), Ok(value), "{}", fraction);
    }

    #[test]
    fn every_parsed_figure_reads_back(whole in 0_i64..=999_999_999, places in 0_u32..=6, part in 0_i64..1_000_000, unit in any_unit()) {
        let text = format!("{whole}.{:0width$}", part % 10_i64.pow(places), width = places as usize);
        let m = Measure::parse(&text, unit, None).expect("a plain decimal");
        let shown = Measure::exact(m.value, unit);
        prop_assert_eq!(Measure::parse(&shown.typed, unit, None).map(|m| m.value), Ok(m.value), "{} as {}", text, shown.typed);
    }

    #[test]
    fn decimal_text_is_the_nearest(num in any::<i32>(), den in 1_i64..=9_999, places in 0_u32..=6) {
        let value = ratio(i64::from(num), den);
        let text = decimal_text(&value, places);
        let shown: f64 = text.parse().expect("decimal text is a number");
        prop_assert!((shown - value.to_f64()).abs() <= 0.5 / 10_f64.powi(places as i32) + 1e-6, "{text} for {num}/{den}");
        prop_assert!(!text.starts_with("-0") || text.bytes().any(|b| (b'1'..=b'9').contains(&b)), "no minus nought: {text}");
    }

    #[test]
    fn a_step_holds_its_direction(num in any::<i32>(), den in 1_i64..=9_999, step in 1_i64..=64) {
        let (value, step) = (ratio(i64::from(num), den), ratio(1, step));
        let up = value.to_step(step, Round::Up).expect("fits");
        let down = value.to_step(step, Round::Down).expect("fits");
        let near = value.to_step(step, Round::Nearest).expect("fits");
        prop_assert!(down <= value && value <= up && up.sub(down).expect("fits") <= step);
        prop_assert!(near == up || near == down);
        let from_near = near.sub(value).and_then(Ratio::abs).expect("fits");
        prop_assert!(from_near.mul(Ratio::whole(2)).expect("fits") <= step);
    }

    #[test]
    fn wall_and_pressure_are_inverse(od in 10.0_f64..125.0, share in 0.02_f64..0.16, stress in 1.0_f64..200.0, expanded in any::<bool>()) {
        let e = if expanded { 1.016 } else { 0.0 };
        let wall = od * share + e;
        let pressure = tube_pressure(od, wall, stress, e);
        prop_assert!(pressure > 0.0);
        let back = tube_wall(od, pressure, stress, e);
        prop_assert!((back - wall).abs() <= 1e-9 * wall, "{wall} -> {pressure} -> {back}");
    }

    #[test]
    fn the_shown_wall_carries_the_pressure(i in tube()) {
        // Rejected cases are drawn again, so 256 tubes inside the range are looked at.
        let wall = minimum_wall(&i);
        prop_assume!(wall.is_ok());
        let wall = wall.expect("just assumed").value;
        let carried = allowable_pressure(&i.od, &wall, &i.allowable, i.expanded).expect("the wall is inside the range").value;
        // Both are rounded to the safe side; the whole psi of the answer is all that may be lost.
        let lost = i.pressure.value.to_f64() - carried.value.to_f64();
        prop_assert!(lost < 1.0, "{} asks {}, carries {}", i.pressure.shown(), wall.shown(), carried.shown());
    }

    #[test]
    fn more_pressure_never_needs_less_wall(i in tube(), more in 1_i64..2_000) {
        let mut harder = i.clone();
        harder.pressure = Measure::exact(i.pressure.value.add(Ratio::whole(more)).expect("fits"), Unit::Psi);
        let mut stronger = i.clone();
        stronger.allowable = Measure::exact(i.allowable.value.add(Ratio::whole(more)).expect("fits"), Unit::Psi);
        let all = [minimum_wall(&i), minimum_wall(&harder), minimum_wall(&stronger)];
        prop_assume!(all.iter().all(Result::is_ok));
        let [plain, harder, stronger] = all.map(|wall| wall.expect("just assumed").value.value);
        prop_assert!(stronger <= plain && plain <= harder);
    }

    #[test]
    fn a_unit_never_changes_what_is_said(least in typed_length(), required in typed_length(), unit in prop::sample::select(LENGTHS.to_vec())) {
        let (least2, required2) = (in_other(&least, unit), in_other(&required, unit));
        prop_assert_eq!(verdict(&least, &required).value, verdict(&least2, &required2).value);
        prop_assert_eq!(verdict(&least, &required).value, verdict(&least2, &required).value);
        prop_assert_eq!(opening_verdict(&least, &required, &required), opening_verdict(&least2, &required2, &required));
        let code = |p: Plausible| match p {
            Plausible::Fine => String::new(),
            Plausible::Ask(code, _) | Plausible::Refuse(code, _) => code,
        };
        prop_assert_eq!(code(limits::gap_value(&least)), code(limits::gap_value(&least2)));
        prop_assert_eq!(code(limits::wall_reading(&least, &required)), code(limits::wall_reading(&least2, &required2)));
        prop_assert_eq!(code(limits::elevation(&least, &required, &required)), code(limits::elevation(&least2, &required2, &required)));
        let set = |a: &Measure, b: &Measure| vec![("12".to_owned(), a.clone()), ("6".to_owned(), b.clone())];
        prop_assert_eq!(code(limits::gap_set(&set(&least, &required))), code(limits::gap_set(&set(&least2, &required))));
    }

    #[test]
    fn a_unit_never_changes_the_block_check(steps in prop::collection::vec((typed_length(), -40_i64..40), 0..4)) {
        let read = |(nominal, off): &(Measure, i64)| {
            let mm = nominal.in_unit(Unit::Millimetre).expect("a length").add(ratio(*off, 200)).expect("fits");
            Measure::exact(mm, Unit::Millimetre)
        };
        let as_typed: Vec<BlockStep> = steps.iter().map(|s| BlockStep { nominal: s.0.clone(), read: read(s) }).collect();
        let in_inches: Vec<BlockStep> = as_typed
            .iter()
            .map(|s| BlockStep { nominal: in_other(&s.nominal, Unit::Inch), read: in_other(&s.read, Unit::Inch) })
            .collect();
        prop_assert_eq!(check_gauge(&as_typed).value, check_gauge(&in_inches).value);
    }

    #[test]
    fn piece_and_openings_fill_the_gap(gaps in prop::collection::vec(typed_length(), 4), root in 1_i64..16) {
        let gaps: Vec<(String, Measure)> = ["12", "3", "6", "9"].iter().map(|c| (*c).to_owned()).zip(gaps).collect();
        let root = Measure::exact(ratio(root, 32), Unit::Inch);
        let cut = cut_length(&gaps, &root);
        prop_assume!(cut.is_ok());
        if let Ok(cut) = cut {
            let left = openings(&gaps, &Measure::exact(cut.value.length.value, cut.value.length.unit)).expect("gaps and piece stand");
            let mut sum = Ratio::whole(0);
            for (_, opening) in &left.value {
                sum = sum.add(opening.in_unit(Unit::Inch).expect("a length")).expect("fits");
            }
            // The mean of what is left at the four clocks is the procedure's opening again, exactly.
            prop_assert_eq!(sum.div(Ratio::whole(4)), Some(root.value));
            let shown = Measure::parse(&cut.value.length.typed, cut.value.length.unit, None).expect("what is shown can be typed").value;
            let off = shown.sub(cut.value.length.value).and_then(Ratio::abs).expect("fits");
            let mark = cut.value.length.mark.expect("a tape has a mark");
            prop_assert!(off.mul(Ratio::whole(2)).expect("fits") <= mark, "shown within half a mark");
        }
    }

    #[test]
    fn two_counts_meet_on_one_tube(first in 1_u32..500, tubes in 1_u32..500) {
        let second = (tubes + 1).saturating_sub(first);
        prop_assert_eq!(same_tube_count(first, second, tubes), first <= tubes);
        prop_assert!(!same_tube_count(first, second + 1, tubes));
    }

    #[test]
    fn less_than_a_mark_is_told(n in -5_000_i64..5_000, off in 0_i64..64) {
        let mark = ratio(1, 16);
        let a = Measure { mark: Some(mark), ..Measure::exact(ratio(n, 16), Unit::Inch) };
        let b = Measure { mark: Some(ratio(1, 2)), ..Measure::exact(ratio(n, 16).add(ratio(off, 64)).expect("fits").mul(ratio(254, 10)).expect("fits"), Unit::Millimetre) };
        let got = apart(&a, &b).expect("two lengths");
        prop_assert_eq!(got.difference.value, ratio(off, 64));
        prop_assert_eq!(got.less_than_one_mark, off < 4);
        prop_assert_eq!(apart(&b, &a).expect("two lengths").less_than_one_mark, off < 4);
    }
}

/// A tube, pressure and stress in US units, mostly inside the range.
fn tube() -> impl Strategy<Value = WallInputs> {
    (75_i64..=500, 1_i64..3_000, 5_000_i64..20_000, any::<bool>()).prop_map(|(od, pressure, stress, expanded)| WallInputs {
        od: Measure::exact(ratio(od, 100), Unit::Inch),
        pressure: Measure::exact(Ratio::whole(pressure), Unit::Psi),
        allowable: Measure::exact(Ratio::whole(stress), Unit::Psi),
        allowable_source: "drawn at random".to_owned(),
        metal_temperature: Measure::exact(Ratio::whole(750), Unit::Fahrenheit),
        expanded,
    })
}

/// Every text of a measure must be finite and say nothing floating-point only.
fn clean(text: &str) -> bool {
    !text.contains("NaN") && !text.contains("inf")
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, max_global_rejects: 100_000, ..ProptestConfig::default() })]

    #[test]
    fn no_sum_panics_or_shows_nan(a in any_measure(), b in any_measure(), c in any_measure(), d in any_measure(), bevel in any::<u32>(), expanded in any::<bool>()) {
        let mut shown = Vec::new();
        let inputs = WallInputs { od: a.clone(), pressure: b.clone(), allowable: c.clone(), allowable_source: "x".to_owned(), metal_temperature: d.clone(), expanded };
        if let Ok(t) = minimum_wall(&inputs) { prop_assert!(t.value.value.is_positive()); shown.push(t.trace.result); }
        if let Ok(t) = allowable_pressure(&a, &b, &c, expanded) { shown.push(t.trace.result); }
        let gaps = vec![("12".to_owned(), a.clone()), ("3".to_owned(), b.clone()), ("6".to_owned(), c.clone()), ("9".to_owned(), a.clone())];
        // Typed texts are arbitrary here, so only values and texts made by the sums are looked at.
        if let Ok(t) = cut_length(&gaps, &d) { prop_assert!(t.value.length.value.is_positive()); shown.push(t.value.length.typed); }
        if let Ok(t) = openings(&gaps, &d) { shown.extend(t.value.into_iter().map(|(_, m)| m.typed)); }
        if let Ok(t) = shrinkage_band(&a, &b, &c, &d, bevel) {
            prop_assert!(t.value.0.value <= t.value.1.value && t.value.0.value.num() >= 0);
            shown.push(t.trace.result);
        }
        shown.push(reading_uncertainty(&a).value.typed);
        if let Some(t) = corrected(&a, &b) { shown.push(t.value.typed); }
        let _ = verdict(&a, &b);
        let steps = [BlockStep { nominal: a.clone(), read: b.clone() }, BlockStep { nominal: c.clone(), read: d.clone() }];
        let _ = gauge_line(&steps);
        shown.push(check_gauge(&steps).trace.result);
        let _ = (apart(&a, &b), opening_verdict(&a, &b, &c), a.same_quantity(&b), a.cmp_quantity(&b));
        shown.extend(other_unit(&a));
        for text in &shown { prop_assert!(clean(text), "{text}"); }
    }

    #[test]
    fn no_limit_panics(a in any_measure(), b in any_measure(), c in any_measure()) {
        let gaps = vec![("12".to_owned(), b.clone()), ("6".to_owned(), c.clone())];
        let all = [
            limits::wall_reading(&a, &b), limits::gap_value(&a), limits::gap_set(&gaps), limits::elevation(&a, &b, &c),
            limits::piece_value(&a, &gaps), limits::temperature_surface(&a), limits::water_temperature(&a), limits::pressure_test(&a, &b),
            limits::root_opening(&a), limits::misalignment(&a), limits::outside_diameter(&a), limits::tube_wall(&a, &b), limits::block_step(&a),
        ];
        for one in all {
            if let Plausible::Ask(code, words) = &one { prop_assert!(code.starts_with("ask-") && !words.is_empty()); }
            if let Plausible::Refuse(code, words) = &one { prop_assert!(!code.starts_with("ask-") && !words.is_empty()); }
        }
    }

    #[test]
    fn fractions_never_wrap(a in any::<i64>(), b in 1_i64..=i64::MAX, c in any::<i64>(), d in 1_i64..=i64::MAX) {
        let (Some(x), Some(y)) = (Ratio::new(a, b), Ratio::new(c, d)) else { return Ok(()); };
        for (exact, float) in [(x.add(y), x.to_f64() + y.to_f64()), (x.sub(y), x.to_f64() - y.to_f64()), (x.mul(y), x.to_f64() * y.to_f64())] {
            if let Some(exact) = exact {
                let scale = x.to_f64().abs() + y.to_f64().abs() + float.abs() + 1.0;
                prop_assert!((exact.to_f64() - float).abs() <= 1e-9 * scale);
            }
        }
    }
}
