//! One value, one encoding: what is written reads back, and no other form is read.

use journal::Value;
use journal::cbor::{Why, decode, encode};
use journal::limits::MAX_DEPTH;
use proptest::prelude::*;

fn any_value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::Bool),
        any::<i64>().prop_map(Value::Int),
        (-300_i64..300).prop_map(Value::Int),
        prop::collection::vec(any::<u8>(), 0..300).prop_map(Value::Bytes),
        ".{0,40}".prop_map(Value::Text),
    ];
    leaf.prop_recursive(6, 60, 8, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..8).prop_map(Value::Array),
            prop::collection::btree_map(".{0,30}", inner, 0..8).prop_map(Value::Map),
        ]
    })
}

proptest! {
    #[test]
    fn decode_undoes_encode(value in any_value()) {
        let bytes = encode(&value).expect("not deep");
        prop_assert_eq!(decode(&bytes).expect("canonical"), value);
    }

    #[test]
    fn whatever_is_read_is_written_alike(bytes in prop::collection::vec(any::<u8>(), 0..64)) {
        if let Ok(value) = decode(&bytes) {
            prop_assert_eq!(encode(&value).expect("not deep"), bytes);
        }
    }

    /// Starts from canonical bytes, so that far more of the changed ones are nearly canonical.
    #[test]
    fn changed_bytes_never_read_as_the_same_value(value in any_value(), at in any::<prop::sample::Index>(), bit in 0..8) {
        let mut bytes = encode(&value).expect("not deep");
        let at = at.index(bytes.len());
        bytes[at] ^= 1_u8 << bit;
        if let Ok(other) = decode(&bytes) {
            prop_assert_ne!(&other, &value);
            prop_assert_eq!(encode(&other).expect("not deep"), bytes);
        }
    }

    #[test]
    fn a_cut_value_is_refused(value in any_value(), cut in any::<prop::sample::Index>()) {
        let bytes = encode(&value).expect("not deep");
        prop_assert!(decode(&bytes[..cut.index(bytes.len())]).is_err());
    }
}

/// Encodings of single values from RFC 8949, appendix A.
#[test]
fn the_examples_of_rfc_8949_appendix_a() {
    let text = |t: &str| Value::Text(t.into());
    let int = Value::Int;
    let examples = [
        (int(0), "00"),
        (int(10), "0a"),
        (int(23), "17"),
        (int(24), "1818"),
        (int(100), "1864"),
        (int(1000), "1903e8"),
        (int(1_000_000), "1a000f4240"),
        (int(1_000_000_000_000), "1b000000e8d4a51000"),
        (int(-1), "20"),
        (int(-10), "29"),
        (int(-100), "3863"),
        (int(-1000), "3903e7"),
        (Value::Bool(false), "f4"),
        (Value::Bool(true), "f5"),
        (Value::Null, "f6"),
        (Value::Bytes(vec![]), "40"),
        (Value::Bytes(vec![1, 2, 3, 4]), "4401020304"),
        (text(""), "60"),
        (text("IETF"), "6449455446"),
        (text("\u{fc}"), "62c3bc"),
        (text("\u{10151}"), "64f0908591"),
        (Value::Array(vec![int(1), int(2), int(3)]), "83010203"),
        (Value::Map([("a".into(), int(1)), ("b".into(), Value::Array(vec![int(2), int(3)]))].into()), "a26161016162820203"),
    ];
    println!("{} examples of RFC 8949, appendix A", examples.len());
    for (value, hexadecimal) in examples {
        let bytes = hex::decode(hexadecimal).expect("hex");
        assert_eq!(encode(&value).expect("not deep"), bytes, "{value:?}");
        assert_eq!(decode(&bytes).expect("canonical"), value, "{hexadecimal}");
    }
}

#[test]
fn keys_are_ordered_by_their_encoded_bytes() {
    let map = ["b", "aa", "", "z"].map(|k| (k.to_owned(), Value::Null));
    let bytes = encode(&Value::Map(map.into_iter().collect())).expect("not deep");
    assert_eq!(hex::encode(bytes), "a460f66162f6617af6626161f6", "the shorter key first, then by bytes");
}

#[test]
fn every_other_form_is_refused() {
    let forms = [
        ("1817", Why::NotShortest, "23 in two bytes"),
        ("190018", Why::NotShortest, "24 in three bytes"),
        ("1a0000ffff", Why::NotShortest, "65535 in five bytes"),
        ("1b00000000ffffffff", Why::NotShortest, "4294967295 in nine bytes"),
        ("3817", Why::NotShortest, "-24 in two bytes"),
        ("580100", Why::NotShortest, "a length in two bytes"),
        ("7801 61", Why::NotShortest, "a text length in two bytes"),
        ("1b8000000000000000", Why::Range, "beyond 63 bits"),
        ("3b8000000000000000", Why::Range, "below -2^63"),
        ("9fff", Why::Form, "array without a length"),
        ("bfff", Why::Form, "map without a length"),
        ("5f41 00 ff", Why::Form, "bytes without a length"),
        ("7f6161ff", Why::Form, "text without a length"),
        ("f93c00", Why::Form, "half float 1.0"),
        ("fa3f800000", Why::Form, "single float"),
        ("fb3ff0000000000000", Why::Form, "double float"),
        ("c074323031332d30332d32315432303a30343a30305a", Why::Form, "a tag"),
        ("f7", Why::Form, "undefined"),
        ("f0", Why::Form, "another simple value"),
        ("f8ff", Why::Form, "a two-byte simple value"),
        ("ff", Why::Form, "a lone break"),
        ("1c", Why::Form, "a reserved length"),
        ("a2616201616102", Why::KeyOrder, "keys not sorted"),
        ("a2616101616102", Why::KeyOrder, "a key twice"),
        ("a262616101616202", Why::KeyOrder, "the longer key first"),
        ("a10102", Why::Type, "a number as a key of a named map"),
        ("61ff", Why::Utf8, "text that is not UTF-8"),
        ("62c080", Why::Utf8, "an overlong zero"),
        ("0000", Why::Trailing, "something after the value"),
        ("", Why::Short, "nothing"),
        ("83 01 02", Why::Short, "an item missing"),
        ("9bffffffffffffffff", Why::Short, "a length that lies"),
        ("bb7fffffffffffffff", Why::Short, "a map length that lies"),
        ("5b7fffffffffffffff", Why::Short, "a byte length that lies"),
    ];
    println!("{} forms that are not canonical, each refused for its own reason", forms.len());
    for (form, why, what) in forms {
        let bytes = hex::decode(form.replace(' ', "")).expect("hex");
        assert_eq!(decode(&bytes).expect_err(what).why, why, "{what}");
    }
}

#[test]
fn depth_is_bounded_both_ways() {
    let nest = |depth: usize| (0..depth).fold(Value::Null, |inner, _| Value::Array(vec![inner]));
    let deepest = encode(&nest(MAX_DEPTH)).expect("allowed");
    assert!(decode(&deepest).is_ok());
    assert!(encode(&nest(MAX_DEPTH + 1)).is_err());
    let mut deeper = vec![0x81; MAX_DEPTH + 1];
    deeper.push(0xf6);
    assert_eq!(decode(&deeper).expect_err("too deep").why, Why::Depth);
    assert_eq!(decode(&vec![0x81; 1_000_000]).expect_err("far too deep").why, Why::Depth);
}
