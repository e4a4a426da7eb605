//! The two commands of the tablet seam. Each leaves the window's thread at once, so that a 12 MP photo never freezes it.

use serde_json::{Value, json};
use std::sync::Arc;
use tablet::{Fault, Tablet};
use tauri::State;
use tauri::ipc::{InvokeBody, Request};

/// Header that carries a photo's description: JSON, percent-encoded because headers are ASCII.
const META: &str = "x-meta";

/// One call of the tablet seam: `name` and its arguments in, the answer or the fault out, both untouched.
#[tauri::command]
pub async fn call(name: String, args: Option<Value>, tablet: State<'_, Arc<Tablet>>) -> Result<Value, Fault> {
    let tablet = Arc::clone(&tablet);
    apart(move || tablet.call(&name, args.unwrap_or_else(|| json!({})))).await
}

/// A photo as raw bytes; its description is in the header [`META`].
#[tauri::command]
pub async fn photo_put(request: Request<'_>, tablet: State<'_, Arc<Tablet>>) -> Result<Value, Fault> {
    let tablet = Arc::clone(&tablet);
    let header = request.headers().get(META).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let meta = meta_of(header)?;
    let bytes = bytes_of(request.body())?;
    apart(move || tablet.photo_put(meta, bytes)).await
}

/// Runs `work` on a thread where waiting for the disk disturbs nobody.
async fn apart(work: impl FnOnce() -> Result<Value, Fault> + Send + 'static) -> Result<Value, Fault> {
    tauri::async_runtime::spawn_blocking(work).await.unwrap_or_else(|broken| {
        eprintln!("A call broke off: {broken}");
        Err(Fault::new(
            500,
            "broke-off",
            "The tablet broke off in the middle of this. What was saved before is safe; this was not saved. Close the app, start it again and repeat the last step.",
        ))
    })
}

/// The photo's description out of its header.
fn meta_of(header: &str) -> Result<Value, Fault> {
    percent_decoded(header).and_then(|text| serde_json::from_str(&text).ok()).ok_or_else(|| {
        Fault::new(
            400,
            "photo-meta",
            "The photo came without its description, so it was not saved. Take it again; if this happens twice, restart the app.",
        )
    })
}

/// The photo's bytes. Some webviews (Android's, and WebKitGTK before 2.40) cannot pass a body through and send a list of numbers instead.
fn bytes_of(body: &InvokeBody) -> Result<Vec<u8>, Fault> {
    let bytes = match body {
        InvokeBody::Raw(bytes) => Some(bytes.clone()),
        InvokeBody::Json(Value::Array(numbers)) => numbers.iter().map(|n| n.as_u64().and_then(|n| u8::try_from(n).ok())).collect(),
        InvokeBody::Json(_) => None,
    };
    bytes.filter(|bytes| !bytes.is_empty()).ok_or_else(|| {
        Fault::new(
            400,
            "photo-empty",
            "The photo came without its picture, so it was not saved. Take it again; if this happens twice, restart the app.",
        )
    })
}

/// `%C3%A5` is å. `None` for a broken escape or for bytes that are not UTF-8.
pub fn percent_decoded(text: &str) -> Option<String> {
    let mut bytes = text.bytes();
    let mut out = Vec::with_capacity(text.len());
    while let Some(byte) = bytes.next() {
        let plain = if byte == b'%' { hex(bytes.next()?)? << 4 | hex(bytes.next()?)? } else { byte };
        out.push(plain);
    }
    String::from_utf8(out).ok()
}

fn hex(digit: u8) -> Option<u8> {
    char::from(digit).to_digit(16).and_then(|value| u8::try_from(value).ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percent_escapes_are_read_and_broken_ones_refused() {
        assert_eq!(percent_decoded("a%20b%C3%a5/c").as_deref(), Some("a bå/c"));
        assert_eq!(percent_decoded("").as_deref(), Some(""));
        for broken in ["%", "%2", "%zz", "%+1", "%ff"] {
            assert_eq!(percent_decoded(broken), None, "{broken}");
        }
    }

    #[test]
    fn a_photo_needs_its_description() {
        assert_eq!(meta_of("%7B%22caption%22%3A%22%C3%A5%22%7D").unwrap(), json!({ "caption": "å" }));
        for bad in ["", "%7B", "not json"] {
            let refused = meta_of(bad).unwrap_err();
            assert_eq!((refused.status, refused.code()), (400, "photo-meta"), "{bad:?}");
        }
    }

    #[test]
    fn a_photo_comes_as_bytes_or_as_a_list_of_them() {
        assert_eq!(bytes_of(&InvokeBody::Raw(vec![1, 255])).unwrap(), [1, 255]);
        assert_eq!(bytes_of(&InvokeBody::Json(json!([1, 255]))).unwrap(), [1, 255]);
        for bad in [json!([256]), json!([-1]), json!([1.5]), json!(["1"]), json!([]), json!({}), json!(null)] {
            assert_eq!(bytes_of(&InvokeBody::Json(bad.clone())).unwrap_err().code(), "photo-empty", "{bad}");
        }
        assert!(bytes_of(&InvokeBody::Raw(Vec::new())).is_err(), "an empty body is no photo");
    }
}
