//! Teaching sets: nothing that tells who was examined survives, and everything that is measured does.

use std::path::{Path, PathBuf};
use std::process::Command;

use dicom_core::value::{DataSetSequence, PrimitiveValue, Value as DicomValue};
use dicom_core::{DataElement, Length, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::mem::InMemElement;
use dicom_object::{FileMetaTableBuilder, InMemDicomObject, open_file};
use osspan::ErrorKind;
use osspan::context::{BleedingEpisode, Heaviness, MeasuredElsewhere, Route};
use osspan::frame::Samples;
use osspan::interchange::teaching::{Blank, Decision, TeachingSet};
use osspan::load::StoredFile;
use osspan::measure::EdgeMark;
use osspan::reading::Distance;
use osspan::record::{Origin, ReadingRecord, Store, verify};
use osspan::units::{Mm, PxPoint};

use crate::invented::Case;

const KEY: [u8; 32] = [42; 32];
const W: u32 = 64;
const H: u32 = 48;
/// Bytes of a burned-in text, outside the region.
const BURNED: &[u8] = b"BURNED-IN-CANARY";

/// Every text attribute that gets a canary of its own.
const TEXTS: [(Tag, VR); 43] = [
    (tags::STATION_NAME, VR::SH),
    (tags::INSTITUTION_NAME, VR::LO),
    (tags::INSTITUTION_ADDRESS, VR::ST),
    (tags::INSTITUTIONAL_DEPARTMENT_NAME, VR::LO),
    (tags::MANUFACTURER, VR::LO),
    (tags::MANUFACTURER_MODEL_NAME, VR::LO),
    (tags::DEVICE_SERIAL_NUMBER, VR::LO),
    (tags::SOFTWARE_VERSIONS, VR::LO),
    (tags::REFERRING_PHYSICIAN_NAME, VR::PN),
    (tags::REFERRING_PHYSICIAN_ADDRESS, VR::ST),
    (tags::PERFORMING_PHYSICIAN_NAME, VR::PN),
    (tags::NAME_OF_PHYSICIANS_READING_STUDY, VR::PN),
    (tags::OPERATORS_NAME, VR::PN),
    (tags::STUDY_DESCRIPTION, VR::LO),
    (tags::SERIES_DESCRIPTION, VR::LO),
    (tags::PROTOCOL_NAME, VR::LO),
    (tags::ACCESSION_NUMBER, VR::SH),
    (tags::STUDY_ID, VR::SH),
    (tags::ADMITTING_DIAGNOSES_DESCRIPTION, VR::LO),
    (tags::OTHER_PATIENT_NAMES, VR::PN),
    (tags::PATIENT_BIRTH_NAME, VR::PN),
    (tags::PATIENT_MOTHER_BIRTH_NAME, VR::PN),
    (tags::PATIENT_ADDRESS, VR::LO),
    (tags::PATIENT_TELEPHONE_NUMBERS, VR::SH),
    (tags::COUNTRY_OF_RESIDENCE, VR::LO),
    (tags::REGION_OF_RESIDENCE, VR::LO),
    (tags::OCCUPATION, VR::SH),
    (tags::ADDITIONAL_PATIENT_HISTORY, VR::LT),
    (tags::PATIENT_COMMENTS, VR::LT),
    (tags::MEDICAL_ALERTS, VR::LO),
    (tags::ALLERGIES, VR::LO),
    (tags::IMAGE_COMMENTS, VR::LT),
    (tags::FRAME_COMMENTS, VR::LT),
    (tags::DERIVATION_DESCRIPTION, VR::ST),
    (tags::REQUESTED_PROCEDURE_DESCRIPTION, VR::LO),
    (tags::REQUESTING_PHYSICIAN, VR::PN),
    (tags::REQUESTING_SERVICE, VR::LO),
    (tags::CURRENT_PATIENT_LOCATION, VR::LO),
    (tags::ADMISSION_ID, VR::LO),
    (tags::PERFORMED_PROCEDURE_STEP_DESCRIPTION, VR::LO),
    (tags::PERFORMED_STATION_AE_TITLE, VR::AE),
    (tags::TRANSDUCER_DATA, VR::LO),
    (tags::ISSUER_OF_PATIENT_ID, VR::LO),
];

/// What identifies, and must not come out in any encoding.
const IDENTITY: [&str; 14] = [
    "Ünsal-Müller",
    "Çiğdem",
    "PAT-77194",
    "20310314",
    "2031-03-14",
    "20310313",
    "2031-05-08",
    "19970802",
    "2.25.111222333",
    "2.25.444555666",
    "2.25.777888999",
    "1.2.840.99999.31337",
    "Dr Reader Secretname",
    "Consenting Somebody",
];

fn text(tag: Tag, vr: VR, value: &str) -> InMemElement {
    DataElement::new(tag, vr, PrimitiveValue::from(value))
}

fn short(tag: Tag, value: u16) -> InMemElement {
    DataElement::new(tag, VR::US, PrimitiveValue::from(value))
}

/// A colour frame: a pattern inside the region, text outside it.
fn picture(shade: u8) -> Vec<u8> {
    let mut data: Vec<u8> = (0..W * H * 3).map(|i| (i % 199) as u8 ^ shade).collect();
    data[..BURNED.len()].copy_from_slice(BURNED);
    let last = data.len() - BURNED.len();
    data[last..].copy_from_slice(BURNED);
    data
}

fn plant(folder: &Path, name: &str, sop: &str, shade: u8, charset: &str) -> PathBuf {
    let mut o = InMemDicomObject::new_empty();
    o.put(text(tags::SPECIFIC_CHARACTER_SET, VR::CS, charset));
    for (n, (tag, vr)) in TEXTS.iter().enumerate() {
        o.put(text(*tag, *vr, &canary(n)));
    }
    let family = if charset == "ISO_IR 192" { "Ünsal-Müller^Çiğdem" } else { "Ünsal-Müller^Ada" };
    for (tag, vr, value) in [
        (tags::PATIENT_NAME, VR::PN, family),
        (tags::PATIENT_ID, VR::LO, "PAT-77194"),
        (tags::PATIENT_BIRTH_DATE, VR::DA, "19970802"),
        (tags::STUDY_DATE, VR::DA, "20310314"),
        (tags::CONTENT_DATE, VR::DA, "20310314"),
        (tags::LAST_MENSTRUAL_DATE, VR::DA, "20310313"),
        (tags::SOP_CLASS_UID, VR::UI, "1.2.840.10008.5.1.4.1.1.6.1"),
        (tags::SOP_INSTANCE_UID, VR::UI, sop),
        (tags::STUDY_INSTANCE_UID, VR::UI, "2.25.111222333"),
        (tags::SERIES_INSTANCE_UID, VR::UI, "2.25.444555666"),
        (tags::FRAME_OF_REFERENCE_UID, VR::UI, "1.2.840.99999.31337"),
        (tags::MODALITY, VR::CS, "US"),
        (tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "RGB"),
        (tags::PATIENT_SEX, VR::CS, "F"),
    ] {
        o.put(text(tag, vr, value));
    }
    o.put(DataElement::new(
        tags::IMAGE_TYPE,
        VR::CS,
        PrimitiveValue::Strs(["ORIGINAL", "PRIMARY", "ENDOVAGINAL", "CANARY_TYPE"].iter().map(|s| (*s).to_owned()).collect()),
    ));
    // In a sequence, and in private elements.
    let item = InMemDicomObject::from_element_iter([text(tags::SCHEDULED_PROCEDURE_STEP_DESCRIPTION, VR::LO, "CANARY_NESTED")]);
    o.put(DataElement::new(
        tags::REQUEST_ATTRIBUTES_SEQUENCE,
        VR::SQ,
        DicomValue::from(DataSetSequence::new(vec![item], Length::UNDEFINED)),
    ));
    o.put(text(Tag(0x0009, 0x0010), VR::LO, "CANARY_CREATOR"));
    o.put(text(Tag(0x0009, 0x1001), VR::LT, "CANARY_PRIVATE"));
    o.put(DataElement::new(Tag(0x0009, 0x1002), VR::OB, PrimitiveValue::from(b"CANARY_BYTES".to_vec())));
    for (tag, v) in [
        (tags::SAMPLES_PER_PIXEL, 3),
        (tags::PLANAR_CONFIGURATION, 0),
        (tags::ROWS, H as u16),
        (tags::COLUMNS, W as u16),
        (tags::BITS_ALLOCATED, 8),
        (tags::BITS_STORED, 8),
        (tags::HIGH_BIT, 7),
        (tags::PIXEL_REPRESENTATION, 0),
    ] {
        o.put(short(tag, v));
    }
    o.put(DataElement::new(
        tags::SEQUENCE_OF_ULTRASOUND_REGIONS,
        VR::SQ,
        DicomValue::from(DataSetSequence::new(vec![region()], Length::UNDEFINED)),
    ));
    o.put(DataElement::new(tags::PIXEL_DATA, VR::OB, PrimitiveValue::from(picture(shade))));
    o.put(DataElement::new(tags::DATA_SET_TRAILING_PADDING, VR::OB, PrimitiveValue::from(b"CANARY_TRAILING_".to_vec())));
    let meta = FileMetaTableBuilder::new().transfer_syntax("1.2.840.10008.1.2.1").implementation_class_uid("1.2.840.99999.31337");
    let mut bytes = Vec::new();
    o.with_meta(meta).unwrap().write_all(&mut bytes).unwrap();
    bytes[..15].copy_from_slice(b"CANARY_PREAMBLE");
    let path = folder.join(name);
    std::fs::write(&path, bytes).unwrap();
    path
}

fn canary(n: usize) -> String {
    format!("CANARY{n:03}")
}

fn region() -> InMemDicomObject {
    let long = |tag, v: u32| DataElement::new(tag, VR::UL, PrimitiveValue::from(v));
    let real = |tag, v: f64| DataElement::new(tag, VR::FD, PrimitiveValue::from(v));
    InMemDicomObject::from_element_iter([
        short(tags::REGION_SPATIAL_FORMAT, 1),
        short(tags::REGION_DATA_TYPE, 1),
        long(tags::REGION_FLAGS, 2),
        long(tags::REGION_LOCATION_MIN_X0, 4),
        long(tags::REGION_LOCATION_MIN_Y0, 6),
        long(tags::REGION_LOCATION_MAX_X1, 59),
        long(tags::REGION_LOCATION_MAX_Y1, 40),
        short(tags::PHYSICAL_UNITS_X_DIRECTION, 3),
        short(tags::PHYSICAL_UNITS_Y_DIRECTION, 3),
        real(tags::PHYSICAL_DELTA_X, 0.0412),
        real(tags::PHYSICAL_DELTA_Y, 0.0371),
    ])
}

fn read(path: &Path, follows: Vec<String>, saved_at: &str) -> ReadingRecord {
    let file = StoredFile::open(path).unwrap();
    let mut case = Case::plain();
    case.geometry = file.geometry().clone();
    case.landmarks.internal_os = PxPoint::new(40.0, 20.5);
    case.landmarks.edge = EdgeMark::PlacentalEdge { at: PxPoint::new(20.25, 22.0) };
    case.landmarks.placental_body = Some(PxPoint::new(10.0, 24.0));
    // Days and names that were typed in besides the exam's own dates.
    let day = Some(jiff::civil::date(2031, 3, 14));
    case.context.bleeds = vec![BleedingEpisode { on: day, heaviness: Heaviness::Light }];
    let by = "Dr Reader Secretname, Ünsal-Müller".to_owned();
    case.context.measured_elsewhere = vec![MeasuredElsewhere { signed_mm: Mm::new(9.0), on: day, route: Route::Transvaginal, by }];
    let id = file.frame(1).unwrap().id;
    case.record_of(Origin::of(&file, id, "Dr Reader Secretname", saved_at.into(), follows)).unwrap()
}

struct Exam {
    dir: tempfile::TempDir,
    files: Vec<StoredFile>,
    records: Vec<ReadingRecord>,
}

/// Two frames of one invented patient, three readings: one, one that follows it, and one that follows an unknown record.
fn exam() -> Exam {
    let dir = tempfile::tempdir().unwrap();
    let images = dir.path().join("PAT-77194");
    std::fs::create_dir(&images).unwrap();
    let paths = [
        plant(&images, "CANARY_NAME_1.dcm", "2.25.777888999", 0, "ISO_IR 192"),
        plant(&images, "CANARY_NAME_2.dcm", "2.25.777888999.2", 3, "ISO_IR 100"),
    ];
    let first = read(&paths[0], vec![], "2031-03-14T10:00:00+01:00");
    let second = read(&paths[0], vec![first.id().to_owned()], "2031-03-16T10:00:00+01:00");
    let other = read(&paths[1], vec!["cd".repeat(32)], "2031-03-14T10:00:00+01:00");
    let files = paths.iter().map(|p| StoredFile::open(p).unwrap()).collect();
    // The later one first: their order must come from their links.
    Exam { dir, files, records: vec![second, first, other] }
}

fn look_and_approve(set: &mut TeachingSet, index: usize, by: &str) -> osspan::Result<()> {
    let shown = set.picture(index)?;
    set.approve(index, by, &shown)
}

fn approved(exam: &Exam) -> TeachingSet {
    let mut set = TeachingSet::prepare(&exam.files, &KEY);
    for index in 0..set.frames().len() {
        look_and_approve(&mut set, index, "L. Approver").unwrap();
    }
    set
}

fn all_files(dir: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(all_files(&path));
        } else {
            let bytes = std::fs::read(&path).unwrap();
            found.push((path, bytes));
        }
    }
    found
}

/// A text as it may stand in a file: UTF-8, Latin-1, UTF-16 in both orders, JSON escapes.
fn encodings(text: &str) -> Vec<Vec<u8>> {
    let latin: Option<Vec<u8>> = text.chars().map(|c| u8::try_from(u32::from(c)).ok()).collect();
    let little: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let big: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
    let escaped: String = text.chars().map(|c| if c.is_ascii() { c.to_string() } else { format!("\\u{:04x}", u32::from(c)) }).collect();
    let mut all = vec![text.as_bytes().to_vec(), little, big, escaped.into_bytes()];
    all.extend(latin);
    all
}

fn assert_nobody(dir: &Path, exam: &Exam) {
    let mut secrets: Vec<String> = IDENTITY.iter().map(|s| (*s).to_owned()).collect();
    secrets.extend(["CANARY".into(), "BURNED-IN".into(), "L. Approver".into()]);
    secrets.extend(exam.records.iter().map(|r| r.id().to_owned()));
    secrets.extend(exam.records.iter().map(|r| r.frame.sha256.clone()));
    let files = all_files(dir);
    assert!(!files.is_empty());
    for (path, bytes) in files {
        for secret in &secrets {
            assert!(!path.to_string_lossy().trim_start_matches(&*dir.to_string_lossy()).contains(secret.as_str()));
            for needle in encodings(secret) {
                assert!(!bytes.windows(needle.len()).any(|w| w == needle), "{secret} in {}", path.display());
            }
        }
    }
}

#[test]
fn the_search_finds_what_is_planted() {
    let exam = exam();
    let planted = all_files(exam.dir.path());
    let holds = |needle: &[u8]| planted.iter().any(|(_, b)| b.windows(needle.len()).any(|w| w == needle));
    for n in 0..TEXTS.len() {
        assert!(holds(canary(n).as_bytes()));
    }
    for more in ["CANARY_NESTED", "CANARY_PRIVATE", "CANARY_BYTES", "CANARY_TRAILING", "CANARY_PREAMBLE", "BURNED-IN"] {
        assert!(holds(more.as_bytes()), "{more}");
    }
    assert!(encodings("Ünsal-Müller").iter().filter(|e| holds(e)).count() >= 2, "two encodings are planted");
}

#[test]
fn nothing_that_identifies_survives_and_the_millimetres_do() {
    let exam = exam();
    let before = all_files(exam.dir.path());
    let out = tempfile::tempdir().unwrap();
    let dir = out.path().join("set");
    let written = approved(&exam).write(&dir, &exam.records).unwrap();
    assert_eq!((written.frames.len(), written.records.len(), &written.left_out[..]), (2, 3, &[][..]));
    assert_nobody(&dir, &exam);
    assert_eq!(all_files(exam.dir.path()), before, "the originals are only read");

    let (mut records, damaged) = Store::at(dir.join("records")).load().unwrap();
    assert!(damaged.is_empty());
    records.sort_by_key(|s| s.record.follows.len());
    let mut new_ids = Vec::new();
    for stored in &records {
        let r = &stored.record;
        let check = verify(r, None);
        assert!(check.differences.is_empty() && check.unchecked.is_empty(), "{check:?}");
        let (Distance::Measured(new), Distance::Measured(old)) = (&r.distance, &exam.records[0].distance) else { panic!("a distance") };
        assert_eq!(new.measurement, old.measurement);
        assert_eq!(r.finding_words, exam.records[0].finding_words);
        assert_eq!(r.context.exam_date.unwrap().to_string(), "2000-01-01");
        assert_eq!(r.context.bleeds[0].on.unwrap().to_string(), "2000-01-01");
        let elsewhere = &r.context.measured_elsewhere[0];
        assert_eq!((elsewhere.on.unwrap().to_string().as_str(), elsewhere.by.as_str()), ("2000-01-01", ""));
        let age = |r: &ReadingRecord| r.context.gestational_age().unwrap();
        assert_eq!(age(r), age(&exam.records[0]));
        new_ids.push(r.id().to_owned());
    }
    // The link between the two readings of one frame is there, by new ids; the one to the unknown record is not.
    let second = records.iter().find(|s| !s.record.follows.is_empty()).unwrap();
    assert_eq!(second.record.follows.len(), 1);
    assert!(new_ids.contains(&second.record.follows[0]));
    assert_eq!(second.record.saved_at, "2000-01-03T00:00:00+00:00", "two days after the exam, as it was");
    assert_eq!(records.iter().filter(|s| s.record.follows.is_empty()).count(), 2);
    let totals = Store::at(dir.join("records")).verify(None, &mut |_| Ok(())).unwrap();
    assert_eq!((totals.files, totals.bad), (3, 0));
    // Each record is of a frame that was written.
    let frames: Vec<_> = written.frames.iter().map(|p| StoredFile::open(p).unwrap()).collect();
    for s in &records {
        assert!(frames.iter().any(|f| f.frame(1).unwrap().id == s.record.frame));
    }
}

#[test]
fn uids_agree_across_the_set_and_depend_on_the_key() {
    let exam = exam();
    let out = tempfile::tempdir().unwrap();
    let uids = |key: &[u8; 32], name: &str| {
        let mut set = TeachingSet::prepare(&exam.files, key);
        (0..2).for_each(|i| look_and_approve(&mut set, i, "L. Approver").unwrap());
        let written = set.write(&out.path().join(name), &[]).unwrap();
        let facts: Vec<_> = written.frames.iter().map(|p| StoredFile::open(p).unwrap().facts().clone()).collect();
        assert_eq!(facts[0].study_instance_uid, facts[1].study_instance_uid);
        assert_eq!(facts[0].series_instance_uid, facts[1].series_instance_uid);
        assert_eq!(facts[0].patient.number, facts[1].patient.number);
        assert_ne!(facts[0].sop_instance_uid, facts[1].sop_instance_uid);
        (facts[0].study_instance_uid.clone(), facts[0].sop_instance_uid.clone(), facts[0].patient.number.clone())
    };
    let one = uids(&KEY, "a");
    assert_eq!(uids(&KEY, "b"), one);
    let other = uids(&[43; 32], "c");
    assert!(other.0 != one.0 && other.1 != one.1 && other.2 != one.2);
}

#[test]
fn the_object_says_how_it_was_made_and_holds_nothing_else() {
    let exam = exam();
    let out = tempfile::tempdir().unwrap();
    let written = approved(&exam).write(&out.path().join("set"), &[]).unwrap();
    let o = open_file(&written.frames[0]).unwrap();
    let text = |tag| o.element(tag).unwrap().to_str().unwrap().trim().to_owned();
    assert_eq!(text(tags::PATIENT_IDENTITY_REMOVED), "YES");
    assert_eq!(text(tags::BURNED_IN_ANNOTATION), "NO");
    assert_eq!(text(tags::LONGITUDINAL_TEMPORAL_INFORMATION_MODIFIED), "MODIFIED");
    assert_eq!(text(tags::IMAGE_TYPE), "DERIVED\\PRIMARY\\ENDOVAGINAL");
    assert_eq!(text(tags::STUDY_DATE), "20000101");
    let codes: Vec<String> = o
        .element(tags::DEIDENTIFICATION_METHOD_CODE_SEQUENCE)
        .unwrap()
        .items()
        .unwrap()
        .iter()
        .map(|i| i.element(tags::CODE_VALUE).unwrap().to_str().unwrap().trim().to_owned())
        .collect();
    assert_eq!(codes, ["113100", "113101", "113107"]);
    assert!(o.iter().all(|e| e.header().tag.group() % 2 == 0), "no private element");
    assert!(o.element(tags::PATIENT_BIRTH_DATE).unwrap().value().to_raw_bytes_len() == 0);
}

trait RawLength {
    fn to_raw_bytes_len(&self) -> usize;
}

impl<I, P> RawLength for DicomValue<I, P> {
    fn to_raw_bytes_len(&self) -> usize {
        self.primitive().map_or(0, |p| p.to_bytes().len())
    }
}

#[test]
fn outside_the_regions_all_is_black_and_inside_nothing_but_the_added_box() {
    let exam = exam();
    let mut set = TeachingSet::prepare(&exam.files, &KEY);
    set.blank(0, Blank { min_x: 30, min_y: 30, max_x: 33, max_y: 31 }).unwrap();
    look_and_approve(&mut set, 0, "L. Approver").unwrap();
    set.leave_out(1).unwrap();
    let out = tempfile::tempdir().unwrap();
    let written = set.write(&out.path().join("set"), &exam.records).unwrap();
    assert_eq!((written.frames.len(), written.records.len()), (1, 2), "readings of a frame left out stay out too");
    let Samples::Rgb8(new) = StoredFile::open(&written.frames[0]).unwrap().frame(1).unwrap().samples else { panic!("colour") };
    let old = picture(0);
    let mut kept = 0;
    for (i, (n, o)) in new.chunks(3).zip(old.chunks(3)).enumerate() {
        let (x, y) = (i as u32 % W, i as u32 / W);
        let inside = (4..=59).contains(&x) && (6..=40).contains(&y) && !((30..=33).contains(&x) && (30..=31).contains(&y));
        assert_eq!(n, if inside { o } else { &[0, 0, 0] }, "({x}, {y})");
        kept += u32::from(inside);
    }
    assert_eq!(kept, 56 * 35 - 8);
}

#[test]
fn nothing_is_written_before_every_frame_is_decided_and_only_what_was_seen() {
    let exam = exam();
    let out = tempfile::tempdir().unwrap();
    let dir = out.path().join("set");
    let mut set = TeachingSet::prepare(&exam.files, &KEY);
    look_and_approve(&mut set, 0, "L. Approver").unwrap();
    assert!(set.write(&dir, &[]).is_err_and(|e| e.kind() == ErrorKind::Usage && e.message().contains("frame 2")));
    assert!(!dir.exists());
    assert!(look_and_approve(&mut set, 1, " ").is_err() && look_and_approve(&mut set, 2, "x").is_err_and(|e| e.kind() == ErrorKind::Usage));
    look_and_approve(&mut set, 1, "L. Approver").unwrap();
    // Another box after the approval withdraws it.
    set.blank(1, Blank { min_x: 0, min_y: 0, max_x: 9, max_y: 9 }).unwrap();
    assert_eq!(set.frames()[1].decision, Decision::Open);
    look_and_approve(&mut set, 1, "L. Approver").unwrap();
    // A picture that changed after it was approved is not written; what is kept survives going on later.
    let set = TeachingSet::from_json(&set.to_json().unwrap()).unwrap();
    plant(&exam.dir.path().join("PAT-77194"), "CANARY_NAME_2.dcm", "2.25.777888999.2", 9, "ISO_IR 100");
    let e = set.write(&dir, &[]).unwrap_err();
    assert!(e.message().contains("changed since it was approved"), "{e}");
    assert!(!format!("{set:?}").contains("PAT-77194") && !e.message().contains("PAT-77194"));
    // A folder with something in it is not written to.
    assert!(approved(&exam).write(&dir, &[]).is_err_and(|e| e.kind() == ErrorKind::Usage));
}

#[test]
fn a_capture_and_a_record_that_does_not_verify_stay_out_with_the_reason() {
    let exam = exam();
    let capture = exam.dir.path().join("capture.png");
    image::GrayImage::new(20, 20).save(&capture).unwrap();
    let set = TeachingSet::prepare([&StoredFile::open(&capture).unwrap()], &KEY);
    assert!(set.frames().is_empty() && set.left_out()[0].1.contains("captured picture"));

    let mut forged = exam.records[1].clone();
    forged.headline = "Edge 40 mm from the internal os, not covering".into();
    forged.content_sha256 = forged.digest().unwrap();
    let out = tempfile::tempdir().unwrap();
    let written = approved(&exam).write(&out.path().join("set"), &[forged]).unwrap();
    assert!(written.records.is_empty() && written.left_out[0].contains("the headline"), "{:?}", written.left_out);
}

#[test]
fn the_commands_lead_from_exam_to_set() {
    let exam = exam();
    let work = tempfile::tempdir().unwrap();
    let (prepared, set, records) = (work.path().join("prepared"), work.path().join("set"), work.path().join("records"));
    exam.records.iter().for_each(|r| drop(Store::at(&records).save(r).unwrap()));
    let osspan = |args: &[&str]| {
        let done = Command::new(env!("CARGO_BIN_EXE_osspan")).args(args).env("OSSPAN_DATA", work.path().join("data")).output().unwrap();
        let text = String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
        for secret in IDENTITY {
            assert!(!text.replace(&*exam.dir.path().to_string_lossy(), "").contains(secret), "{secret} in {text}");
        }
        (done.status.code().unwrap(), text)
    };
    let (prepared_text, set_text, records_text) = (prepared.to_str().unwrap(), set.to_str().unwrap(), records.to_str().unwrap());
    let images = exam.dir.path().join("PAT-77194");
    let (code, said) = osspan(&["export", "prepare", images.to_str().unwrap(), "--to", prepared_text]);
    assert!(code == 0 && said.contains("2 frames"), "{said}");
    assert!(image::open(prepared.join("frame-0002.png")).unwrap().width() == W);
    let write = ["export", "write", prepared_text, "--to", set_text, "--records", records_text];
    assert_eq!(osspan(&write).0, 2, "undecided");
    assert_eq!(osspan(&["export", "blank", prepared_text, "--frame", "1", "--box", "5,7,9,9"]).0, 0);
    let (code, said) = osspan(&["export", "approve", prepared_text, "--frames", "1-2", "--by", "L. Approver"]);
    assert!(code == 0 && said.contains("0 of 2"), "{said}");
    let (code, said) = osspan(&write);
    assert!(code == 0 && said.contains("2 frames and 3 readings"), "{said}");
    assert_nobody(&set, &exam);
    assert_eq!(osspan(&["verify", set.join("records").to_str().unwrap(), "--images", set_text]).0, 0);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        for (path, _) in all_files(work.path()) {
            assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o077, 0, "{}", path.display());
        }
    }
}
