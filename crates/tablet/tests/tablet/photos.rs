//! Photos: kept whole with their smaller pictures, or refused with a sentence.

use crate::kit::Kit;
use image::{ImageEncoder, Rgb, RgbImage, codecs::jpeg::JpegEncoder};
use serde_json::{Value as Json, json};
use tablet::Fault;

/// A made-up picture with edges, as JPEG.
pub fn jpeg(width: u32, height: u32) -> Vec<u8> {
    let picture = RgbImage::from_fn(width, height, |x, y| if (x / 8 + y / 8) % 2 == 0 { Rgb([230, 220, 200]) } else { Rgb([40, 30, 60]) });
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, 90).write_image(&picture, width, height, image::ExtendedColorType::Rgb8).unwrap();
    bytes
}

fn bench(series: u64) -> (Kit, String) {
    let kit = Kit::new("K4", series);
    kit.sign_in("ana-r");
    let job = kit.open_job();
    (kit, job)
}

fn put(kit: &Kit, job: &str, bytes: Vec<u8>) -> Result<Json, Fault> {
    let answer = kit.tablet.photo_put(json!({ "job": job, "view": "overview", "caption": "the whole wall" }), bytes);
    if let Err(fault) = &answer {
        println!("{} {}: {fault}", fault.status, fault.code());
    }
    answer
}

#[test]
fn a_photo_is_kept_untouched_with_two_smaller_pictures() {
    let (kit, job) = bench(41);
    let original = jpeg(2400, 1200);
    let answer = put(&kit, &job, original.clone()).unwrap();
    let hash = answer["hash"].as_str().unwrap();
    assert_eq!(hash, blake3::hash(&original).to_hex().as_str());
    assert_eq!(answer["look"], json!({ "blurred": false, "dark": false }));
    let item = &answer["view"]["lists"]["photos"][0]["body"];
    assert_eq!(
        (&item["width"], &item["height"], &item["mime"], &item["bytes"]),
        (&json!(2400), &json!(1200), &json!("image/jpeg"), &json!(original.len()))
    );
    let (mime, full) = kit.tablet.photo_get(hash, "full").unwrap();
    assert_eq!((mime.as_str(), full), ("image/jpeg", original.clone()));
    for (size, side) in [("1600", 1600), ("256", 256)] {
        let (_, bytes) = kit.tablet.photo_get(hash, size).unwrap();
        let small = image::load_from_memory(&bytes).unwrap();
        println!("{size}: {} x {}, {} bytes", small.width(), small.height(), bytes.len());
        assert_eq!((small.width(), small.height()), (side, side / 2));
    }
    // The same bytes again are the same photo, not a second one.
    let again = put(&kit, &job, original).unwrap();
    assert_eq!((&again["already"], &again["saved"]), (&json!(true), &answer["saved"]));
    let kit = kit.restart();
    let view = kit.job(&job);
    assert_eq!(view["lists"]["photos"].as_array().unwrap().len(), 1);
    assert_eq!(view["lives"]["photos_here"], 1, "its bytes are only here");
}

#[test]
fn what_is_no_whole_picture_is_refused_and_nothing_is_lost() {
    let (kit, job) = bench(42);
    put(&kit, &job, jpeg(320, 200)).unwrap();
    let before = kit.job(&job);
    let mut cut = jpeg(800, 600);
    cut.truncate(cut.len() / 2);
    let mut long = jpeg(64, 64);
    long.resize((64 << 20) + 1, 0);
    for (what, bytes, status, code) in [
        ("a text file named .jpg", b"This is only text, whatever its name says.".to_vec(), 400, "photo-not-a-picture"),
        ("0 bytes", Vec::new(), 400, "photo-empty"),
        ("cut short", cut, 400, "photo-cut-short"),
        ("30,000 x 30,000 px in the header", huge_header(), 400, "photo-too-many-pixels"),
        ("over 64 MiB", long, 413, "photo-too-long"),
    ] {
        println!("{what}:");
        let fault = put(&kit, &job, bytes).unwrap_err();
        assert_eq!((fault.status, fault.code()), (status, code), "{what}");
        assert!(fault.say.words.contains("Nothing"), "it says what is safe: {fault}");
    }
    assert_eq!(kit.job(&job), before, "what was there before still is");
}

/// A small JPEG whose frame header claims 30,000 x 30,000 px.
fn huge_header() -> Vec<u8> {
    let mut bytes = jpeg(64, 64);
    let frame = bytes.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
    bytes[frame + 5..frame + 9].copy_from_slice(&[0x75, 0x30, 0x75, 0x30]);
    bytes
}

#[test]
fn a_photo_without_a_job_a_view_or_a_person_is_refused() {
    let (kit, job) = bench(43);
    let bytes = jpeg(64, 64);
    let bad = |meta: Json| kit.tablet.photo_put(meta, bytes.clone()).unwrap_err();
    assert_eq!(bad(json!({ "job": job, "view": "sideways" })).code(), "photo-view");
    assert_eq!(bad(json!({ "job": "nope", "view": "close" })).code(), "no-job");
    assert_eq!(bad(json!({ "view": "close" })).code(), "not-understood");
    assert_eq!(bad(json!({ "job": job, "view": "close", "caption": "x".repeat(600) })).code(), "caption-too-long");
    kit.call("sign_out", json!({}));
    assert_eq!(bad(json!({ "job": job, "view": "close" })).code(), "not-signed-in");
    assert_eq!(kit.tablet.photo_get(&"ab".repeat(32), "256").unwrap_err().status, 404);
    assert_eq!(kit.tablet.photo_get("../../etc/passwd", "full").unwrap_err().status, 404);
}

#[test]
fn dark_and_blurred_photos_are_kept_and_said() {
    let (kit, job) = bench(44);
    let flat = RgbImage::from_pixel(400, 300, Rgb([8, 8, 10]));
    let mut bytes = Vec::new();
    JpegEncoder::new(&mut bytes).write_image(&flat, 400, 300, image::ExtendedColorType::Rgb8).unwrap();
    let answer = put(&kit, &job, bytes).unwrap();
    assert_eq!(answer["look"]["dark"], true);
    assert_eq!(answer["view"]["lists"]["photos"].as_array().unwrap().len(), 1);
}

#[test]
fn a_nearly_full_disk_refuses_photos_but_still_takes_records() {
    let (kit, job) = bench(45);
    let Kit { dir, env, tablet } = kit;
    drop(tablet);
    let options = store::Options { photo_floor: u64::MAX, ..store::Options::default() };
    let tablet = tablet::Tablet::open_with(dir.path(), env.clone(), options).unwrap();
    let kit = Kit { dir, env, tablet };
    kit.sign_in("ana-r");
    let before = kit.job(&job);
    let fault = put(&kit, &job, jpeg(64, 64)).unwrap_err();
    assert_eq!((fault.status, fault.code()), (507, "disk-nearly-full"));
    assert_eq!(kit.job(&job), before);
    kit.record(&job, "notes", json!({ "text": "no room for photos" }));
}

#[test]
fn a_photo_of_which_no_small_picture_can_be_made_is_kept_whole_and_said() {
    let (kit, job) = bench(46);
    let mut bytes = jpeg(200, 100);
    let tables = bytes.windows(2).position(|w| w == [0xff, 0xc4]).unwrap();
    bytes[tables + 5..tables + 21].fill(0xff);
    let answer = put(&kit, &job, bytes.clone()).unwrap();
    println!("{}", answer["note"]["words"]);
    assert_eq!(answer["note"]["code"], "photo-no-picture");
    assert_eq!(answer["view"]["lists"]["photos"].as_array().unwrap().len(), 1);
    for size in ["256", "1600", "full"] {
        let (_, shown) = kit.tablet.photo_get(answer["hash"].as_str().unwrap(), size).unwrap();
        assert_eq!(shown, bytes, "{size}: the original stands in");
    }
}
