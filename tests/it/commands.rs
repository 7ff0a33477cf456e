//! The program without a window, run as a person or a script runs it.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use osspan::record::ReadingRecord;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The program with a data folder of its own and no display.
pub fn osspan(data: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_osspan"))
        .args(args)
        .current_dir(root())
        .env("OSSPAN_DATA", data)
        .env_remove("DISPLAY")
        .env_remove("WAYLAND_DISPLAY")
        .env_remove("WAYLAND_SOCKET")
        .output()
        .expect("the program starts")
}

/// What a command prints that must end well.
pub fn done(data: &Path, args: &[&str]) -> String {
    let made = osspan(data, args);
    assert!(made.status.success(), "{args:?}: {}", text(&made.stderr));
    text(&made.stdout)
}

pub fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

fn records(data: &Path) -> Vec<PathBuf> {
    let mut all: Vec<_> = std::fs::read_dir(data.join("records")).map(|d| d.map(|e| e.unwrap().path()).collect()).unwrap_or_default();
    all.sort();
    all
}

const FRAME: &str = "sample-images/visit-2/frame-1.dcm";
const READ: [&str; 14] = [
    "read",
    FRAME,
    "--os",
    "249.5,177",
    "--edge",
    "249.7,237.1",
    "--body",
    "220,265",
    "--side",
    "not-covering",
    "--guideline",
    "rcog-2018",
    "--route",
    "transvaginal",
];

fn read_with(data: &Path, more: &[&str]) -> Output {
    osspan(data, &[&READ[..], more].concat())
}

#[test]
fn with_no_display_the_sample_exam_is_read_and_kept_once() {
    let data = tempfile::tempdir().unwrap();
    let first = osspan(data.path(), &[]);
    assert!(first.status.success(), "{}", text(&first.stderr));
    let said = text(&first.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    for wanted in [
        "Overlaps the os by",
        "not covering",
        "Low-lying placenta",
        "20w2d",
        "32w1d",
        "36w0d",
        "Records: ",
        "not a certified medical device",
    ] {
        assert!(said.contains(wanted), "\"{wanted}\" is missing in\n{said}");
    }
    assert!(!said.to_lowercase().contains("clear of"), "the word that no placenta deserves");
    let kept = records(data.path());
    assert!(kept.len() >= 9);
    let again = osspan(data.path(), &[]);
    assert!(again.status.success());
    assert_eq!(records(data.path()), kept, "a second run adds nothing");
    let verified = osspan(data.path(), &["verify", "--images", "sample-images"]);
    assert!(verified.status.success(), "{}", text(&verified.stdout));
    assert!(text(&verified.stdout).contains(" 0 with differences"));
}

#[test]
fn a_reading_is_printed_for_people_and_as_json() {
    let data = tempfile::tempdir().unwrap();
    let said = read_with(data.path(), &["--due-date", "2025-06-30"]);
    assert!(said.status.success(), "{}", text(&said.stderr));
    assert!(text(&said.stdout).contains("Edge 13 mm from the internal os, not covering"), "{}", text(&said.stdout));
    assert!(records(data.path()).is_empty(), "nothing is saved unless it is asked for");
    let json = read_with(data.path(), &["--due-date", "2025-06-30", "--json", "--save", "--reader", "T. Test"]);
    let record = ReadingRecord::from_json(&text(&json.stdout)).unwrap();
    assert_eq!(record.reader, "T. Test");
    assert_eq!(records(data.path()).len(), 1);
    assert_eq!(std::fs::read_to_string(&records(data.path())[0]).unwrap(), text(&json.stdout));
}

#[test]
fn exit_codes_tell_bad_use_refused_measurement_and_file_trouble_apart() {
    let data = tempfile::tempdir().unwrap();
    let code = |o: &Output| o.status.code().unwrap();
    // Bad use: no side; no edge; a point that can be read in two ways; no such frame.
    assert_eq!(code(&osspan(data.path(), &["read", FRAME, "--os", "1,1", "--edge", "2,2", "--guideline", "rcog-2018"])), 2);
    let no_edge = osspan(data.path(), &["read", FRAME, "--os", "1,1", "--side", "covers", "--guideline", "rcog-2018"]);
    assert_eq!(code(&no_edge), 2);
    assert_eq!(code(&osspan(data.path(), &["read", FRAME, "--os", "1,050;3", "--edge", "2,2", "--side", "covers", "--guideline", "x"])), 2);
    assert_eq!(code(&read_with(data.path(), &["--frame", "2"])), 2);
    // Refused: side against body point; impossible dates; unknown guideline; landmark off the frame.
    let mut covers = READ;
    covers[9] = "covers";
    assert_eq!(code(&osspan(data.path(), &covers)), 3);
    let impossible = read_with(data.path(), &["--due-date", "2035-01-01"]);
    assert_eq!(code(&impossible), 3);
    assert!(text(&impossible.stderr).contains("expected"), "{}", text(&impossible.stderr));
    let mut unknown = READ;
    unknown[11] = "my-own";
    assert_eq!(code(&osspan(data.path(), &unknown)), 3);
    let mut off = READ;
    off[3] = "9000,177";
    assert_eq!(code(&osspan(data.path(), &off)), 3);
    // File trouble: absent; not a frame.
    let mut absent = READ;
    absent[1] = "no-such-file.dcm";
    assert_eq!(code(&osspan(data.path(), &absent)), 4);
    absent[1] = "Cargo.toml";
    let not_a_frame = osspan(data.path(), &absent);
    assert_eq!(code(&not_a_frame), 4);
    assert_eq!(text(&not_a_frame.stderr).trim_end().lines().count(), 1, "one clear sentence");
}

#[test]
fn a_capture_without_a_scale_gives_no_millimetres_and_says_what_would_help() {
    let data = tempfile::tempdir().unwrap();
    let picture = data.path().join("capture.png");
    image::GrayImage::from_pixel(400, 300, image::Luma([40])).save(&picture).unwrap();
    let mut args = READ.map(str::to_owned);
    args[1] = picture.to_string_lossy().into_owned();
    let out = osspan(data.path(), &args.iter().map(String::as_str).collect::<Vec<_>>());
    assert_eq!(out.status.code(), Some(3));
    let said = text(&out.stdout);
    assert!(said.contains("No millimetres: no trustworthy scale") && !said.contains("95 %"), "{said}");
}

#[test]
fn verify_names_a_changed_image_and_a_changed_record() {
    let data = tempfile::tempdir().unwrap();
    let images = data.path().join("images");
    std::fs::create_dir(&images).unwrap();
    let copy = images.join("a.dcm");
    std::fs::copy(root().join(FRAME), &copy).unwrap();
    let saved = read_with(data.path(), &["--due-date", "2025-06-30", "--save", "--reader", "T. Test"]);
    assert!(saved.status.success());
    let verify = || osspan(data.path(), &["verify", "--images", images.to_str().unwrap()]);
    assert!(verify().status.success());

    let mut bytes = std::fs::read(&copy).unwrap();
    let last = bytes.len() - 1000;
    bytes[last] ^= 1;
    std::fs::write(&copy, bytes).unwrap();
    let out = verify();
    assert_eq!(out.status.code(), Some(1));
    assert!(text(&out.stdout).contains("the image: expected digest"), "{}", text(&out.stdout));

    let path = records(data.path()).remove(0);
    let record = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, record.replace("T. Test", "S. Else")).unwrap();
    let out = osspan(data.path(), &["verify"]);
    assert_eq!(out.status.code(), Some(1));
    assert!(text(&out.stdout).contains("the record's content"), "{}", text(&out.stdout));
}

#[test]
fn a_folder_is_listed_by_exam_with_the_files_that_are_none() {
    let data = tempfile::tempdir().unwrap();
    let out = osspan(data.path(), &["list", "sample-images"]);
    assert!(out.status.success());
    let said = text(&out.stdout);
    assert!(
        said.contains("Exam 3") && said.contains("RLE Lossless") && said.contains("Not frames") && said.contains("truth.json"),
        "{said}"
    );
    assert!(!said.contains("Invented"), "no patient is named");
}
