//! What is read off a square, typed by hand, or asked without a token.

use sync::message::PairRequest;
use sync::pairing::{Address, Code, Fingerprint, Invitation, PairText, proof_fits, qr_text};

/// The first byte chooses the door, the rest is its text.
pub fn check(bytes: &[u8]) {
    let Some((which, rest)) = bytes.split_first() else { return };
    if which % 4 == 3 {
        return request(rest);
    }
    let Ok(text) = std::str::from_utf8(rest) else { return };
    match which % 4 {
        0 => {
            let Ok(read) = Invitation::parse(text) else { return };
            let key = read.fingerprint.expect("a square carries the key");
            address(&read.address);
            code(&read.code);
            assert_eq!(Invitation::parse(&qr_text(&read.address, &key, &read.code)), Ok(read), "what was read can be shown again");
        }
        1 => {
            let Ok(read) = Code::parse(text) else { return };
            code(&read);
        }
        _ => {
            let (typed, given) = text.split_once('\n').unwrap_or((text, "ABCDE-FGH23"));
            match Invitation::by_hand(typed, given) {
                Ok(read) => {
                    assert_eq!(read.fingerprint, None);
                    address(&read.address);
                }
                Err(why) => assert!(matches!(why, PairText::Address | PairText::Code)),
            }
        }
    }
}

/// Host and port and nothing that a URL could smuggle in.
fn address(address: &Address) {
    let text = address.as_str();
    assert_eq!(Address::parse(text).as_ref(), Ok(address));
    assert!(text.bytes().all(|b| b.is_ascii_alphanumeric() || b"[]:.-".contains(&b)), "{text:?}");
    let (_, port) = text.rsplit_once(':').expect("a port");
    assert!(port.parse::<u16>().is_ok_and(|p| p > 0));
}

fn code(code: &Code) {
    assert_eq!(Code::parse(code.as_str()).as_ref(), Ok(code));
    assert_eq!(Code::parse(&code.shown()).as_ref(), Ok(code));
    assert_eq!(Code::parse(&code.shown().to_lowercase()).as_ref(), Ok(code));
    assert!(!format!("{code:?}").contains(code.as_str()), "a code is not shown in a log");
}

/// Nobody who lacks the code is let in.
fn request(bytes: &[u8]) {
    let Ok(request) = serde_json::from_slice::<PairRequest>(bytes) else { return };
    let text = serde_json::to_vec(&request).expect("plain");
    assert_eq!(serde_json::from_slice::<PairRequest>(&text).as_ref().ok(), Some(&request));
    // Stretching a guess takes milliseconds, so only now and then.
    if request.name.len() % 8 == 0 {
        let other = Code::parse("ZZZZZ-ZZZZ9").expect("a code");
        assert!(!proof_fits(&other, &Fingerprint([0x5a; 32]), &request), "a request fits a code it was not made with");
    }
}
