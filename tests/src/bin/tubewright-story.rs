//! Plays the main job with the real parts and says what the board says: `cargo xtask demo --unattended`.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::PathBuf;

fn out_folder() -> PathBuf {
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        if arg == "--out" {
            return PathBuf::from(args.next().expect("--out needs a folder"));
        }
    }
    PathBuf::from("demo-out")
}

#[tokio::main]
async fn main() {
    let out = out_folder();
    let data = out.join("data");
    if data.exists() {
        std::fs::remove_dir_all(&data).expect("the old demo data can be removed");
    }
    std::fs::create_dir_all(&data).expect("the folder can be made");
    let played = tubewright_tests::story::play(&data).await;
    let pictures = tubewright_tests::pictures::take(&played, &out).await;
    let mut summary = played.lines.join("\n");
    summary.push_str("\n\nPictures:\n");
    for picture in &pictures {
        summary.push_str(&format!("  {}\n", picture.file_name().unwrap().to_string_lossy()));
    }
    std::fs::write(out.join("summary.txt"), summary).expect("the summary is written");
    println!("All is as it should be. Pictures and summary are in {}", out.display());
}
