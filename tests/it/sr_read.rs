//! Structured reports of others, and hostile ones: taken where they are clear, refused in one sentence where they are not.

use osspan::ErrorKind;
use osspan::context::{Dating, ExamContext, from_form};
use osspan::interchange::sr::others::{beside, distances};
use osspan::interchange::sr::scanner::scanner;
use osspan::interchange::sr::{
    self, Code, Document, Evidence, Graphic, Identity, ImageRef, Item, Number, Relationship as R, Template, Value as V, check,
};
use osspan::load::StudyFacts;
use osspan::measure::{EdgeMark, Landmarks};
use osspan::record::Patient;
use osspan::units::{Mm, PxPoint};

use crate::invented::Case;
use crate::sr::{CINE, SINGLE, every_kind, exam_of, origin, written};

fn code(value: &str, scheme: &str, meaning: &str) -> Code {
    Code { value: value.to_owned().into(), scheme: scheme.to_owned().into(), meaning: meaning.to_owned().into() }
}

fn item(relationship: R, concept: Option<Code>, value: V, children: Vec<Item>) -> Item {
    Item { relationship: Some(relationship), concept, value, children }
}

fn text(relationship: R, value: &str, words: &str) -> Item {
    item(relationship, Some(code(value, "DCM", value)), V::Text(words.into()), Vec::new())
}

fn num(concept: Code, value: f64, unit: &str, children: Vec<Item>) -> Item {
    let unit = code(unit, "UCUM", unit);
    item(R::Contains, Some(concept), V::Num(Some(Number { value, unit })), children)
}

fn image(class: &str, uid: &str, frames: Vec<u32>) -> V {
    V::Image(ImageRef { class_uid: class.into(), instance_uid: uid.into(), frames })
}

fn line(points: &[[f32; 2]], on: V) -> Item {
    let on = item(R::SelectedFrom, None, on, Vec::new());
    let scoord = V::Scoord { graphic: Graphic::Polyline, points: points.to_vec(), origin: None };
    item(R::InferredFrom, Some(code("121112", "DCM", "Source of Measurement")), scoord, vec![on])
}

fn document(template: &str, children: Vec<Item>) -> Document {
    let instances = [(SINGLE, "2.25.70"), (SINGLE, "2.25.71"), (CINE, "2.25.91")];
    Document {
        class_uid: "1.2.840.10008.5.1.4.1.1.88.33".into(),
        instance_uid: "2.25.500".into(),
        study_uid: "2.25.2".into(),
        series_uid: "2.25.501".into(),
        patient: Patient::default(),
        identity_removed: false,
        study: StudyFacts::default(),
        content_date: "20310314".into(),
        content_time: "101500".into(),
        timezone: String::new(),
        manufacturer: "Another".into(),
        model: String::new(),
        software: String::new(),
        verified: false,
        preliminary: String::new(),
        evidence: instances
            .map(|(class, uid)| Evidence {
                study_uid: "2.25.2".into(),
                series_uid: "2.25.3".into(),
                class_uid: class.into(),
                instance_uid: uid.into(),
            })
            .into(),
        root: Item {
            relationship: None,
            concept: Some(code("126000", "DCM", "Imaging Measurement Report")),
            value: V::Container { template: Some(("DCMR".into(), template.into())) },
            children,
        },
    }
}

fn distance() -> Code {
    code("121206", "DCM", "Distance")
}

/// A measurement report by somebody else with these measurements in one group.
fn of_others(measurements: Vec<Item>) -> Document {
    let mut group = vec![text(R::HasObsContext, "112039", "placenta 1")];
    group.push(item(R::HasObsContext, Some(code("112040", "DCM", "UID")), V::Uid("2.25.77".into()), Vec::new()));
    group.extend(measurements);
    let container = |value, children| item(R::Contains, Some(code(value, "DCM", value)), V::Container { template: None }, children);
    document(
        "1500",
        vec![
            item(R::HasObsContext, Some(code("121005", "DCM", "Observer Type")), V::Code(code("121006", "DCM", "Person")), Vec::new()),
            item(R::HasObsContext, Some(code("121008", "DCM", "Name")), V::PersonName("Other^Reader".into()), Vec::new()),
            container("126010", vec![container("125007", group)]),
        ],
    )
}

/// Through bytes, as it would arrive.
fn received(document: &Document) -> Document {
    let again = Document::from_bytes(&document.to_bytes().unwrap()).unwrap();
    assert_eq!(again.root, document.root);
    check(&again, &|_| None).unwrap();
    again
}

#[test]
fn distances_of_others_are_taken_with_unit_ends_and_frame() {
    let on = || image(SINGLE, "2.25.70", Vec::new());
    let ends: [[f32; 2]; 2] = [[160.5, 240.0], [300.0, 241.0]];
    let report = received(&of_others(vec![
        num(distance(), 1.42, "cm", vec![line(&ends, on())]),
        num(code("G-D7FE", "SRT", "Length"), 0.0142, "m", vec![line(&ends, image(CINE, "2.25.91", vec![7]))]),
        num(code("42798000", "SCT", "Area"), 3.0, "cm2", Vec::new()),
        num(distance(), 15.0, "mm", Vec::new()),
    ]));
    let (found, rest) = distances(&report);
    assert_eq!((found.len(), rest), (3, 1));
    let first = found[0].as_ref().unwrap();
    assert!((first.mm.get() - 14.2).abs() < 1e-12);
    assert_eq!(first.stated, (1.42, "cm".into()));
    assert_eq!(first.ends, Some([PxPoint::new(160.5, 240.0), PxPoint::new(300.0, 241.0)]));
    assert_eq!((first.tracking.as_deref(), first.observer.as_deref()), (Some("placenta 1"), Some("Other^Reader")));
    let second = found[1].as_ref().unwrap();
    assert!((second.mm.get() - 14.2).abs() < 1e-12, "metres");
    assert_eq!(second.image.as_ref().unwrap().frames, [7]);
    assert_eq!(found[2].as_ref().unwrap().ends, None, "a value without a line is still one");

    // Beside our reading of the same frame: 300,240 to 160,240 at 0.1 mm a pixel is 14 mm.
    let own = Case::plain().record_of(origin(0, "R. Ito")).unwrap();
    let of_cine = Case::plain().record_of(origin(1, "R. Ito")).unwrap();
    let all = [own.clone(), of_cine];
    let found = beside(first, &all);
    assert_eq!(found.len(), 1, "of the same frame only");
    assert_eq!(found[0].record, own.id());
    assert!((found[0].difference_mm.unwrap() - 0.2).abs() < 1e-9);
    let [os, edge] = found[0].ends_mm.unwrap();
    assert!((os - 0.1).abs() < 1e-9 && (edge - 0.05).abs() < 1e-9, "whichever end they named first: {os}, {edge}");
    let words = found[0].words().join(" ");
    assert!(words.contains("0.2 mm longer than ours: within") && words.contains("says no side"), "{words}");
}

/// Each of these could be taken for a distance, and each would be a guess.
#[test]
fn what_is_ambiguous_is_refused_with_its_reason() {
    let on = || image(SINGLE, "2.25.70", Vec::new());
    let ends: [[f32; 2]; 2] = [[160.0, 240.0], [300.0, 240.0]];
    let volume = || {
        let mut l = line(&ends, on());
        if let V::Scoord { origin, .. } = &mut l.value {
            *origin = Some("VOLUME".into());
        }
        l
    };
    let derived = item(R::HasConceptMod, Some(code("121401", "DCM", "Derivation")), V::Code(code("373098007", "SCT", "Mean")), Vec::new());
    let from = |v: V| item(R::InferredFrom, Some(code("121112", "DCM", "Source")), v, Vec::new());
    let cases = [
        (num(distance(), -4.0, "mm", vec![line(&ends, on())]), "negative"),
        (num(distance(), 140.0, "{pixels}", vec![line(&ends, on())]), "none of mm, cm, m and um"),
        (num(distance(), 1.0, "[in_i]", vec![line(&ends, on())]), "none of mm, cm, m and um"),
        (num(distance(), 14.0, "mm", vec![line(&[[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]], on())]), "two ends are needed"),
        (num(distance(), 14.0, "mm", vec![line(&ends, on()), line(&ends, on())]), "nothing says which is its line"),
        (num(distance(), 14.0, "mm", vec![line(&ends, image(CINE, "2.25.91", vec![3, 4]))]), "names 2 frames"),
        (num(distance(), 14.0, "mm", vec![from(image(CINE, "2.25.91", Vec::new()))]), "on which of its frames"),
        (num(distance(), 14.0, "mm", vec![from(on()), from(image(SINGLE, "2.25.71", Vec::new()))]), "2 source images"),
        (num(distance(), 14.0, "mm", vec![volume()]), "over a whole tiled image"),
        (num(distance(), 14.0, "mm", vec![derived, line(&ends, on())]), "derived from several"),
    ];
    for (measurement, why) in cases {
        let (found, _) = distances(&received(&of_others(vec![measurement])));
        let refused = found[0].as_ref().unwrap_err();
        assert!(refused.why.contains(why), "{why}: {refused:?}");
    }
    let empty = item(R::Contains, Some(distance()), V::Num(None), Vec::new());
    assert!(distances(&received(&of_others(vec![empty]))).0[0].as_ref().unwrap_err().why.contains("no value"));
}

#[test]
fn our_own_report_is_not_taken_for_somebody_else_s() {
    let report = Document::from_bytes(&written(&exam_of(every_kind()), Identity::Shown).unwrap().bytes).unwrap();
    assert_eq!(distances(&report), (Vec::new(), 0));
    assert!(sr::check::is_ours(&report.root));
    let said = sr::ours(&report).unwrap();
    let first = &said.readings[0];
    let record = first.whole.as_deref().unwrap().clone();
    assert!(first.is_among(std::slice::from_ref(&record)) && first.beside(std::slice::from_ref(&record)).is_empty());
    // Another reader's reading of the same frame, 1 mm longer.
    let landmarks = Landmarks { edge: EdgeMark::PlacentalEdge { at: PxPoint::new(150.0, 240.0) }, ..Case::plain().landmarks };
    let second = Case { landmarks, ..Case::plain() }.record_of(origin(0, "B. Second")).unwrap();
    let found = first.beside(&[record, second]);
    assert_eq!(found.len(), 1);
    assert!(found[0].1.iter().any(|w| w.starts_with("The second reading is 1.")), "{:?}", found[0].1);
}

fn date(value: &str, meaning: &str, day: &str) -> Item {
    item(R::Contains, Some(code(value, "LN", meaning)), V::Date(day.into()), Vec::new())
}

fn of_scanner(children: Vec<Item>) -> Document {
    let section = item(R::Contains, Some(code("125011", "DCM", "Pelvis and Uterus")), V::Container { template: None }, children);
    let mut made = document("5000", vec![section]);
    made.root.concept = Some(code("125000", "DCM", "OB-GYN Ultrasound Procedure Report"));
    made
}

fn cervix(value: f64, unit: &str, children: Vec<Item>) -> Item {
    num(code("11961-0", "LN", "Cervix Length"), value, unit, children)
}

#[test]
fn a_scanner_s_due_date_cervix_and_own_distance_are_read_and_shown_against_ours() {
    let own = num(code("PLAC-OS", "99VENDOR", "Placenta to Internal Os"), 1.6, "cm", Vec::new());
    let made = of_scanner(vec![
        date("11779-6", "EDD from LMP", "20310506"),
        date("11778-8", "EDD", "20310510"),
        date("11955-2", "LMP", "20300729"),
        cervix(3.4, "cm", Vec::new()),
        own,
        num(code("12145-9", "LN", "Endometrium Thickness"), 5.0, "mm", Vec::new()),
    ]);
    let document = received(&made);
    assert_eq!(check(&document, &|_| None).unwrap(), Template::ObGyn);
    let report = scanner(&document);
    assert_eq!(report.dating.as_ref().unwrap().0, Dating::DueDate(jiff::civil::date(2031, 5, 10)), "the settled one");
    assert_eq!(report.cervix.as_ref().unwrap().mm, Mm::new(34.0));
    assert_eq!(report.distances.len(), 1);
    assert_eq!(report.refused, []);
    let exam = exam_of(vec![Case::plain().record_of(origin(0, "R. Ito")).unwrap()]);
    let said = report.against(&exam).join(" ");
    assert!(said.contains("2031-05-10 is 2 day(s) later than ours, 2031-05-08"), "{said}");
    assert!(said.contains("34.0 mm; ours was not measured"), "{said}");
    assert!(said.contains("line of 16.0 mm is 2.0 mm longer than ours that decides the exam"), "{said}");

    // Taken over where nothing was known; a different due date is never replaced.
    let filled = report.added_to(ExamContext::default()).unwrap();
    assert_eq!((filled.dating, filled.cervical_length_mm), (Some(Dating::DueDate(jiff::civil::date(2031, 5, 10))), Some(Mm::new(34.0))));
    assert!(report.added_to(Case::plain().context).unwrap_err().message().contains("nothing is replaced"));
    let form = from_form(&report.form().unwrap()).unwrap();
    assert_eq!((form.dating, form.cervical_length_mm), (filled.dating, filled.cervical_length_mm));
}

#[test]
fn what_a_scanner_says_twice_is_taken_only_where_it_says_which() {
    let twice = vec![cervix(31.0, "mm", Vec::new()), cervix(35.0, "mm", Vec::new())];
    let report = scanner(&received(&of_scanner(twice)));
    assert!(report.cervix.is_none() && report.refused[0].why.contains("31 mm, 35 mm"), "{:?}", report.refused);
    assert!(report.form().is_err());
    let chosen =
        item(R::HasProperties, Some(code("121404", "DCM", "Selection Status")), V::Code(code("121412", "DCM", "Mean chosen")), Vec::new());
    let report = scanner(&received(&of_scanner(vec![cervix(31.0, "mm", Vec::new()), cervix(35.0, "mm", vec![chosen])])));
    assert_eq!(report.cervix.unwrap().mm, Mm::new(35.0));
    let dates = vec![date("11779-6", "EDD from LMP", "20310506"), date("11781-2", "EDD from average ultrasound age", "20310512")];
    let report = scanner(&received(&of_scanner(dates)));
    assert!(report.dating.is_none() && report.refused[0].why.contains("2031-05-06"), "{:?}", report.refused);
    let period = scanner(&received(&of_scanner(vec![date("8665-2", "LMP", "20300729")])));
    assert_eq!(period.dating.unwrap().0, Dating::LastPeriod(jiff::civil::date(2030, 7, 29)));
    let absurd = scanner(&received(&of_scanner(vec![cervix(34.0, "cm", Vec::new())])));
    assert!(absurd.cervix.is_none() && absurd.refused.len() == 1, "34 cm: a slip of the unit");
    let pixels = scanner(&received(&of_scanner(vec![cervix(34.0, "{pixels}", Vec::new())])));
    assert!(pixels.cervix.is_none() && pixels.refused.len() == 1);
}

fn nested(levels: usize) -> Item {
    let mut inner = text(R::Contains, "121106", "innermost");
    for _ in 0..levels {
        inner = item(R::Contains, Some(code("125007", "DCM", "Measurement Group")), V::Container { template: None }, vec![inner]);
    }
    inner
}

#[test]
fn depth_number_and_size_have_limits() {
    let deep = document("1500", vec![nested(40)]).to_bytes().unwrap();
    let e = Document::from_bytes(&deep).unwrap_err();
    assert!(e.kind() == ErrorKind::Limit && e.message().contains("nested too deeply"), "{e}");
    Document::from_bytes(&document("1500", vec![nested(25)]).to_bytes().unwrap()).unwrap();
    let many: Vec<Item> = (0..20_001).map(|_| text(R::Contains, "121106", "x")).collect();
    assert_eq!(Document::from_bytes(&document("1500", many).to_bytes().unwrap()).unwrap_err().kind(), ErrorKind::Limit);
    let long = text(R::Contains, "121106", &"x".repeat(9 * 1024 * 1024));
    assert_eq!(Document::from_bytes(&document("1500", vec![long]).to_bytes().unwrap()).unwrap_err().kind(), ErrorKind::Limit);
    let points = vec![[1.0_f32, 1.0]; 5_001];
    let line = line(&points, image(SINGLE, "2.25.70", Vec::new()));
    let e = Document::from_bytes(&of_others(vec![num(distance(), 1.0, "mm", vec![line])]).to_bytes().unwrap()).unwrap_err();
    assert_eq!(e.kind(), ErrorKind::Limit);
}

/// PS3.3 C.17.3.2.4: a reference may not lead to what holds it. None of ours follows references, so none can run in circles.
#[test]
fn references_that_lead_nowhere_or_in_circles_are_refused() {
    let with = |to: Vec<u32>| {
        let by_reference = Item { relationship: Some(R::InferredFrom), concept: None, value: V::Reference(to), children: Vec::new() };
        of_others(vec![num(distance(), 14.0, "mm", vec![by_reference])])
    };
    // The distance is item 1.3.1.3: third child of the root, its group, third in it.
    for (to, why) in [
        (vec![1, 3, 1, 3], "a circle"),
        (vec![1, 3, 1], "a circle"),
        (vec![1], "a circle"),
        (vec![1, 3, 1, 3, 1], "a reference to a reference"),
        (vec![1, 9], "there is none"),
        (vec![2], "there is none"),
        (vec![], "there is none"),
        (vec![1, 0], "there is none"),
    ] {
        let e = check(&with(to.clone()), &|_| None).unwrap_err();
        assert!(e.message().contains(why), "{to:?}: {e}");
    }
    check(&with(vec![1, 3, 1, 1]), &|_| None).unwrap();
}

fn sound() -> Vec<u8> {
    written(&exam_of(every_kind()), Identity::Withheld).unwrap().bytes
}

/// The last place: the header, which is not read, may hold the same elements.
fn position(bytes: &[u8], what: &[u8]) -> usize {
    bytes.windows(what.len()).rposition(|w| w == what).unwrap()
}

#[test]
fn wrong_value_representations_and_lengths_give_one_clear_error() {
    // Tag, stated representation, another: numeric value as text, measured value as bytes, graphic data as text.
    let wrong: [(&[u8], &[u8; 2], &str); 4] = [
        (&[0x40, 0x00, 0x0A, 0xA3, b'D', b'S'], b"LO", "the value representation DS"),
        (&[0x40, 0x00, 0x40, 0xA0, b'C', b'S'], b"LO", "the value representation CS"),
        (&[0x70, 0x00, 0x22, 0x00, b'F', b'L'], b"SL", "the value representation FL"),
        (&[0x08, 0x00, 0x00, 0x01, b'S', b'H'], b"LO", "the value representation SH"),
    ];
    for (tag, vr, said) in wrong {
        let mut bytes = sound();
        let at = position(&bytes, tag);
        bytes[at + 4..at + 6].copy_from_slice(vr);
        let e = Document::from_bytes(&bytes).unwrap_err();
        assert!(e.kind() == ErrorKind::Format && e.message().contains(said), "{e}");
    }
    // A text that claims almost 4 GiB, and a sequence that claims more than is left.
    let mut bytes = sound();
    let at = position(&bytes, &[0x40, 0x00, 0x60, 0xA1, b'U', b'T']) + 8;
    bytes[at..at + 4].copy_from_slice(&0xFFFF_FFF0_u32.to_le_bytes());
    assert!(Document::from_bytes(&bytes).unwrap_err().message().contains("bytes that are left"));
    let mut bytes = sound();
    let at = position(&bytes, &[0x40, 0x00, 0x30, 0xA7, b'S', b'Q']) + 8;
    bytes[at..at + 4].copy_from_slice(&0x7FFF_0000_u32.to_le_bytes());
    assert!(Document::from_bytes(&bytes).unwrap_err().message().contains("bytes that are left"));
}

#[test]
fn other_files_are_said_to_be_no_report() {
    for bytes in [Vec::new(), b"not DICOM".to_vec(), std::fs::read("sample-images/visit-1/frame-1.dcm").unwrap()] {
        let e = Document::from_bytes(&bytes).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::Format, "{e}");
    }
    let mut other = document("1500", Vec::new());
    other.root.value = V::Text("no container".into());
    assert!(check(&other, &|_| None).unwrap_err().message().contains("a container at its root"));
    let unknown = document("3800", Vec::new());
    assert_eq!(check(&unknown, &|_| None).unwrap_err().kind(), ErrorKind::Unsupported);
}

/// Changed and cut bytes: every one is read or refused, none panics, and whatever is read passes through everything else.
#[test]
fn damaged_reports_are_read_or_refused() {
    let bytes = sound();
    // A generator by itself, so that a failure can be repeated (constants of Knuth's MMIX).
    let mut state = 1_u64;
    let mut next = move |below: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below
    };
    let through = |bytes: &[u8]| {
        let Ok(document) = Document::from_bytes(bytes) else { return false };
        let _ = (check(&document, &|_| None), sr::ours(&document), distances(&document), scanner(&document));
        true
    };
    let mut read = 0;
    for _ in 0..400 {
        let mut changed = bytes.clone();
        for _ in 0..=next(4) {
            let at = next(changed.len());
            changed[at] = next(256) as u8;
        }
        read += usize::from(through(&changed));
    }
    assert!(read > 20, "the changes were too coarse to reach the content: {read}");
    for n in 1..60 {
        let cut = bytes.len() * n / 60;
        assert!(!through(&bytes[..cut]) || cut > bytes.len() - 200, "a report cut at {cut} of {}", bytes.len());
    }
}
