//! Readings and records: from landmarks to a saved file and back, and every way it can be found out of order.

use osspan::ErrorKind;
use osspan::frame::FrameId;
use osspan::measure::{Side, Value};
use osspan::reading::Distance;
use osspan::record::{ImageSource, ReadingRecord, Store, verify, verify_text};
use osspan::units::{Mm, PxPoint};

use crate::invented::Case;

#[test]
fn a_plain_reading_says_distance_side_and_finding() {
    let r = Case::plain().read().unwrap();
    assert_eq!(r.headline, "Edge 14 mm from the internal os, not covering");
    assert!(r.finding.starts_with("Low-lying"), "{}", r.finding);
    assert!(r.blocks.is_empty() && !r.cautions.is_empty());
    let Distance::Measured(m) = r.distance else { panic!("a distance") };
    assert!(matches!(m.measurement.value, Value::Exact { signed_mm } if (signed_mm.get() - 14.0).abs() < 1e-9));
}

#[test]
fn without_a_scale_there_are_no_millimetres_but_a_reason() {
    let mut case = Case::plain();
    case.geometry.regions.clear();
    let r = case.read().unwrap();
    assert!(matches!(&r.distance, Distance::NoScale { reason } if !reason.is_empty()));
    assert!(!r.headline.contains(" mm "));
    // It can still be kept: the absence is a value with a cause, and it verifies.
    let record = case.record().unwrap();
    assert!(verify(&record, None).differences.is_empty());
}

#[test]
fn a_side_that_the_body_point_contradicts_is_not_saved() {
    let mut case = Case::plain();
    case.side = Side::Covers;
    let r = case.read().unwrap();
    assert_eq!(r.blocks.len(), 1);
    assert!(case.record().is_err_and(|e| e.kind() == ErrorKind::Invalid));
}

#[test]
fn a_landmark_of_another_frame_is_refused() {
    let mut case = Case::plain();
    case.landmarks.internal_os = PxPoint::new(700.0, 240.0);
    assert!(case.read().is_err_and(|e| e.kind() == ErrorKind::Invalid && e.message().contains("internal os")));
}

#[test]
fn a_record_survives_its_file_bit_for_bit() {
    let dir = tempfile::tempdir().unwrap();
    let record = Case::plain().record().unwrap();
    let store = Store::at(dir.path().join("records"));
    let path = store.save(&record).unwrap();
    let name = path.file_name().unwrap().to_string_lossy().into_owned();
    assert!(!name.contains("Ada") && name.starts_with("reading-"));
    let (found, damaged) = store.load().unwrap();
    assert!(damaged.is_empty());
    assert_eq!(found[0].record, record);
    assert!(verify(&found[0].record, None).differences.is_empty());
    let (again, check) = verify_text(&std::fs::read_to_string(&path).unwrap(), None).unwrap();
    assert!(again == record && check.differences.is_empty(), "the digest of the text is that of the record");
    // The same file is never written over.
    assert!(store.save(&record).is_err_and(|e| e.kind() == ErrorKind::Record));
}

#[test]
fn a_later_reading_names_the_one_it_follows() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    let first = Case::plain().record().unwrap();
    assert!(store.heads(&first.frame).unwrap().is_empty());
    store.save(&first).unwrap();
    assert_eq!(store.heads(&first.frame).unwrap(), [first.id().to_owned()]);
    let mut case = Case::plain();
    case.landmarks.internal_os.x += 3.0;
    let mut second = case.record().unwrap();
    second.follows = store.heads(&first.frame).unwrap();
    second.content_sha256 = second.digest().unwrap();
    store.save(&second).unwrap();
    // The next frame of a frozen cine has the same bytes and is another frame; another reader has seen nothing yet.
    let next = FrameId { frame_number: 2, ..first.frame.clone() };
    assert!(store.heads(&next).unwrap().is_empty());
    assert_eq!(store.own_heads(&first.frame, "R. Ito", None).unwrap(), [second.id().to_owned()]);
    assert!(store.own_heads(&first.frame, "S. Else", None).unwrap().is_empty());
    assert_eq!(store.heads(&first.frame).unwrap(), [second.id().to_owned()]);
}

struct Image(Option<String>);
impl ImageSource for Image {
    fn digest_of(&self, _: &FrameId) -> Option<String> {
        self.0.clone()
    }
}

fn named(record: &ReadingRecord, what: &str) {
    let check = verify(record, None);
    assert!(check.differences.iter().any(|d| d.what.contains(what)), "{what} not named in {:?}", check.differences);
}

/// Every sort of change is named, also when the forger refreshed the content digest.
#[test]
fn verify_names_what_was_changed() {
    let good = Case::plain().record().unwrap();
    assert!(verify(&good, None).differences.is_empty());

    let mut r = good.clone();
    r.reader = "Somebody else".into();
    named(&r, "the record's content");

    let forge = |change: &dyn Fn(&mut ReadingRecord)| {
        let mut r = good.clone();
        change(&mut r);
        r.content_sha256 = r.digest().unwrap();
        r
    };
    named(&forge(&|r| r.landmarks.internal_os.x += 1.0), "the distance");
    named(&forge(&|r| r.geometry.regions[0].delta_x = Some(0.02)), "the scale");
    named(&forge(&|r| r.table.digest = "0".repeat(64)), "the guideline table");
    named(&forge(&|r| r.headline = "Edge 25 mm from the internal os, not covering".into()), "the headline");
    named(&forge(&|r| r.cautions.truncate(1)), "the cautions");
    named(&forge(&|r| r.context.exam_date = Some(jiff::civil::date(2030, 10, 1))), "the finding");
    named(&forge(&|r| r.repeatability.sd_mm = Mm::new(0.5)), "uncertainty");
    named(&forge(&|r| r.geometry.regions.clear()), "the distance");

    let old = forge(&|r| {
        if let Distance::Measured(m) = &mut r.distance {
            m.measurement.method = "edge-to-os-distance@0".into();
        }
    });
    let check = verify(&old, None);
    assert!(check.unchecked.iter().any(|u| u.contains("no longer available")), "{check:?}");

    let check = verify(&good, Some(&Image(Some("cd".repeat(32)))));
    assert!(check.differences.iter().any(|d| d.what == "the image"));
    let check = verify(&good, Some(&Image(None)));
    assert!(check.differences.is_empty() && check.unchecked.len() == 1);
}

#[test]
fn damaged_and_future_records_are_named_and_the_rest_still_read() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    let good = Case::plain().record().unwrap();
    store.save(&good).unwrap();
    std::fs::write(dir.path().join("half.json"), &good.to_json().unwrap()[..200]).unwrap();
    std::fs::write(dir.path().join("later.json"), good.to_json().unwrap().replace(osspan::record::SCHEMA, "osspan-reading/9")).unwrap();
    let (found, damaged) = store.load().unwrap();
    assert_eq!((found.len(), damaged.len()), (1, 2));
    assert!(damaged.iter().all(|e| e.kind() == ErrorKind::Record));
    assert!(damaged.iter().any(|e| e.message().contains("osspan-reading/9")));
}
