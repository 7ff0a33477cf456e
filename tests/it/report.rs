//! Reports: what they say, how they are marked, what an amended one names, and that no page or template loses a word.

mod measured;

use osspan::caseload::Caseload;
use osspan::context::{Answer, Bladder, Bleeding};
use osspan::guideline::Shelf;
use osspan::measure::{EdgeMark, Side};
use osspan::plot::Shape;
use osspan::record::{Origin, Patient, ReadingRecord};
use osspan::report::pdf::{self, Letters, Op, Paper};
use osspan::report::readability::{counts, fernandez_huerta, flesch_kincaid};
use osspan::report::{
    ADDED, Avoid, Choices, Images, Issued, Language, NoImages, Raster, Report, Request, Seen, Standing, TEMPLATE, Weight,
};
use osspan::report::{html, note, patient_html, patient_page, required, text};
use osspan::review::exams;
use osspan::units::PxPoint;

use crate::invented::{Case, table};

const NOW: &str = "2031-03-15T08:00:00+01:00";

/// A grey picture of the right size.
struct Grey;

impl Images for Grey {
    fn picture(&self, _: &osspan::frame::FrameId) -> Result<Raster, String> {
        Ok(Raster { width: 640, height: 480, rgba: vec![90; 640 * 480 * 4] })
    }
}

struct Asked<'a> {
    all: &'a [ReadingRecord],
    issued: &'a [Issued],
    images: &'a dyn Images,
    identity: bool,
    draft: bool,
}

impl<'a> Asked<'a> {
    fn of(all: &'a [ReadingRecord]) -> Self {
        Self { all, issued: &[], images: &Grey, identity: false, draft: false }
    }

    /// The report of the newest exam of the only woman.
    fn report(&self) -> Report {
        let shelf = Shelf::bundled();
        let cases = Caseload::of(self.all.to_vec(), &[]);
        assert_eq!(cases.women.len(), 1);
        let woman = &cases.women[0];
        Report::of(&Request {
            woman,
            exam: woman.exams.len() - 1,
            table: &table(),
            shelf: &shelf,
            all: self.all,
            issued: self.issued,
            reviews: &exams(self.all, &[]),
            signers: &[],
            images: self.images,
            identity: self.identity,
            draft: self.draft,
            full: false,
            made_at: NOW,
        })
        .unwrap()
    }
}

fn one() -> Vec<ReadingRecord> {
    vec![Case::plain().record().unwrap()]
}

/// The reading of `before` again, with its edge elsewhere.
fn corrected(before: &ReadingRecord, x: f64) -> ReadingRecord {
    let mut case = Case::plain();
    case.landmarks.edge = EdgeMark::PlacentalEdge { at: PxPoint::new(x, 240.0) };
    case.landmarks.placental_body = Some(PxPoint::new(x - 30.0, 250.0));
    let origin = Origin { follows: vec![before.id().to_owned()], saved_at: "2031-03-14T12:00:00+01:00".into(), ..Case::origin() };
    case.record_of(origin).unwrap()
}

/// Everything a page shows as text, in order.
fn words(pages: &[Vec<Op>]) -> String {
    let of = |op: &Op| match op {
        Op::Text { text, .. } => vec![text.clone()],
        Op::Plot { shapes, .. } | Op::Frame { overlay: shapes, .. } => {
            shapes.iter().filter_map(|s| if let Shape::Text { text, .. } = s { Some(text.clone()) } else { None }).collect()
        }
        _ => Vec::new(),
    };
    pages.iter().flatten().flat_map(of).collect::<Vec<_>>().join(" ")
}

fn spaceless(text: &str) -> String {
    text.split_whitespace().collect()
}

#[test]
fn a_report_says_who_when_how_and_what_and_names_nobody_unless_asked() {
    let records = one();
    let plain = Asked::of(&records).report();
    let said = text(&plain);
    for word in [
        "Edge 14 mm from the internal os, not covering",
        "95 %:",
        "Low-lying placenta",
        "edition 2014",
        "2031-03-14",
        "R. Ito",
        records[0].id(),
    ] {
        assert!(said.contains(word), "{word} is not in\n{said}");
    }
    assert!(!said.contains("Invented") && !said.contains("2.25.2"), "{said}");
    let named = text(&Asked { identity: true, ..Asked::of(&records) }.report());
    assert!(named.contains("Invented, Ada"), "{named}");
}

#[test]
fn text_pages_and_html_hold_every_sentence_of_the_model() {
    let records = one();
    let report = Asked::of(&records).report();
    let letters = Letters::new().unwrap();
    let all = [
        text(&report),
        words(&pdf::pages(&report, Paper::A4, &letters)),
        words(&pdf::pages(&report, Paper::Letter, &letters)),
        html(&report).unwrap(),
    ];
    let all = all.map(|t| {
        spaceless(
            &t.replace("&#x27;", "'")
                .replace("&quot;", "\"")
                .replace("&lt;", "<")
                .replace("&gt;", ">")
                .replace("&amp;", "&")
                .replace("&#x2f;", "/")
                .replace("\u{20}- ", " ")
                .replace('\n', " "),
        )
    });
    let sentences = report.parts.iter().flat_map(|p| &p.lines).map(|l| l.text.clone());
    let sources = report.numbered_sources();
    let head = [&report.headline, &report.detail, &report.finding, &report.table].into_iter().cloned();
    for sentence in sentences.chain(head).chain(sources).chain([report.digest().to_owned(), report.standing.words()]) {
        let wanted = spaceless(&sentence);
        for (i, form) in all.iter().enumerate() {
            assert!(form.contains(&wanted), "form {i} lacks {sentence}");
        }
    }
}

#[test]
fn every_clinical_sentence_has_a_source_and_what_is_from_memory_says_so() {
    let records = one();
    let report = Asked::of(&records).report();
    let cited = report.parts.iter().filter(|p| !["Readings", "Left out here"].contains(&p.title.as_str()));
    for line in cited.flat_map(|p| &p.lines) {
        let number: usize = line.mark.trim_start_matches('[').split([',', ']']).next().unwrap().parse().unwrap();
        let source = &report.sources[number - 1];
        assert_eq!(line.mark.contains("from memory"), source.provenance == osspan::source::Provenance::FromMemory, "{line:?} {source}");
    }
}

#[test]
fn a_simple_exam_takes_one_page_of_either_paper_and_nothing_leaves_the_paper() {
    let letters = Letters::new().unwrap();
    for images in [&Grey as &dyn Images, &NoImages] {
        let records = one();
        let report = Asked { images, identity: true, ..Asked::of(&records) }.report();
        for paper in [Paper::A4, Paper::Letter] {
            let pages = pdf::pages(&report, paper, &letters);
            let least = pages
                .iter()
                .flatten()
                .filter_map(|op| if let Op::Text { size, .. } = op { Some(*size) } else { None })
                .fold(99.0, f64::min);
            assert!(least >= 5.4 - 0.03);
            assert_eq!(pages.len(), 1, "{paper:?}: {}", words(&pages[1..]));
        }
    }
    // Many frames: as many pages as it takes, each with its number, and still nothing outside.
    let mut case = Case::plain();
    let many: Vec<ReadingRecord> = (0..9)
        .map(|i| {
            case.landmarks.edge = EdgeMark::PlacentalEdge { at: PxPoint::new(160.0 - f64::from(i), 240.0) };
            let mut origin = Case::origin();
            origin.frame.sha256 = format!("{i:02x}").repeat(32);
            case.record_of(origin).unwrap()
        })
        .collect();
    for paper in [Paper::A4, Paper::Letter] {
        let (width, height) = paper.size();
        let pages = pdf::pages(&Asked::of(&many).report(), paper, &letters);
        assert!(pages.len() > 1);
        for (i, page) in pages.iter().enumerate() {
            assert!(words(std::slice::from_ref(page)).contains(&format!("page {} of {}", i + 1, pages.len())));
            for op in page {
                let (left, top, right, bottom) = match op {
                    Op::Text { x, y, size, strong, text, .. } => (*x, y - size, x + letters.width(text, *size, *strong), y + 0.25 * size),
                    Op::Box { at, .. } | Op::Plot { at, .. } | Op::Frame { at, .. } | Op::Code { at } => {
                        (at[0], at[1], at[0] + at[2], at[1] + at[3])
                    }
                };
                assert!(left >= 20.0 && top >= 20.0 && right <= width - 20.0 && bottom <= height - 20.0, "{paper:?} {op:?}");
            }
        }
    }
}

#[test]
fn unsigned_and_drafts_are_marked_on_every_form() {
    let records = one();
    let unsigned = Asked::of(&records).report();
    assert!(matches!(&unsigned.standing, Standing::Unsigned { .. }) && unsigned.standing.watermark() == Some("UNSIGNED"));
    let draft = Asked { draft: true, ..Asked::of(&records) }.report();
    assert_eq!(draft.standing.watermark(), Some("DRAFT"));
    assert!(html(&draft).unwrap().contains(">DRAFT</text>") && text(&draft).contains("DRAFT: not to be acted on"));
    let english = Language::bundled("en").unwrap();
    assert!(patient_page(&draft, &english, Choices::default()).text().contains("DRAFT. Do not use."));
}

#[test]
fn an_amended_report_names_what_changed_what_is_void_and_who_holds_it() {
    let first = Case::plain().record().unwrap();
    let before = Asked::of(std::slice::from_ref(&first)).report();
    assert!(before.part("Amended report").is_none());
    let sent = Issued::new(&before, " Dr A. Invented ").unwrap();
    let again = corrected(&first, 60.0);
    let records = [first.clone(), again];
    let report = Asked { issued: std::slice::from_ref(&sent), ..Asked::of(&records) }.report();
    let part = report.part("Amended report").unwrap();
    assert_eq!(part.weight, Weight::Alarm);
    let said: Vec<&str> = part.lines.iter().map(|l| l.text.as_str()).collect();
    let all = said.join("\n");
    assert!(said[0].contains("REPLACES AND VOIDS"), "{all}");
    assert!(all.contains(&first.id()[..16]), "{all}");
    assert!(
        all.contains("was \"Edge 14 mm from the internal os, not covering\", now \"Edge 24 mm from the internal os, not covering\""),
        "{all}"
    );
    assert!(all.contains("placental edge moved by 100.0 px"), "{all}");
    assert!(all.contains(&format!("Dr A. Invented received a report at {NOW} that is now void")), "{all}");
    // Nobody received one: that is said too. What was sent of the present reading is not void.
    let unsent = Asked::of(&records).report();
    assert!(text(&unsent).contains("Nobody is recorded as having received an earlier report."));
    let same = Issued::new(&unsent, "B").unwrap();
    let later = Asked { issued: std::slice::from_ref(&same), ..Asked::of(&records) }.report();
    assert!(!text(&later).contains("B received"));
}

#[test]
fn what_was_sent_is_kept_and_an_altered_one_is_refused() {
    let records = one();
    let sent = Issued::new(&Asked::of(&records).report(), "Dr B").unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = sent.save(dir.path()).unwrap();
    assert_eq!(Issued::load(dir.path()).unwrap().0, std::slice::from_ref(&sent));
    let altered = std::fs::read_to_string(&path).unwrap().replace("Dr B", "Dr C");
    assert!(Issued::from_json(&altered).is_err());
    assert!(Issued::new(&Asked::of(&records).report(), "  ").is_err());
}

#[test]
fn no_template_drops_sign_words_or_cautions_in_silence() {
    let mut case = Case::plain();
    case.context.bleeding = Bleeding::Now;
    let report = Asked::of(&[case.record().unwrap()]).report();
    assert!(!report.part("Urgent").unwrap().lines.is_empty());
    let whole = note(&report, TEMPLATE).unwrap();
    assert!(!whole.contains(ADDED), "{whole}");
    let cruel = [
        "",
        "All is well.",
        "{{ headline[:12] }}",
        "{{ headline | replace(\", not covering\", \"\") }} {{ cautions | first }}",
        "{% if false %}{{ headline }}{% endif %}{% for c in cautions %}{% if loop.first %}{{ c }}{% endif %}{% endfor %}",
        "{{ headline | upper }} {{ finding | lower }}",
        "{# {{ headline }} #}",
    ];
    for template in cruel.iter().chain([&TEMPLATE]) {
        let made = note(&report, template).unwrap();
        let have = spaceless(&made);
        for sentence in required(&report) {
            assert!(have.contains(&spaceless(&sentence)), "{template}: lacks {sentence}\n{made}");
        }
        assert_eq!(made.contains(ADDED), *template != TEMPLATE, "{template}");
    }
}

#[test]
fn a_faulty_or_endless_template_is_refused_with_its_reason() {
    let records = one();
    let report = Asked::of(&records).report();
    for (template, why) in [
        ("{{ headline", "syntax"),
        ("{{ no_such_name }}", "undefined"),
        ("{% for a in range(9999) %}{% for b in range(9999) %}x{% endfor %}{% endfor %}", "fuel"),
    ] {
        let e = note(&report, template).unwrap_err().to_string();
        assert!(e.to_lowercase().contains(why), "{template}: {e}");
    }
}

fn patient(case: &Case) -> Report {
    Asked::of(&[case.record().unwrap()]).report()
}

#[test]
fn most_move_away_is_said_only_where_age_and_finding_match_the_cohort() {
    let mut case = Case::plain();
    case.context.bleeding = Bleeding::None;
    case.context.pain_or_contractions = Answer::No;
    let at = |case: &mut Case, due: (i16, i8, i8)| {
        case.context.dating = Some(osspan::context::Dating::DueDate(jiff::civil::date(due.0, due.1, due.2)))
    };
    // 20 weeks: exam 2031-03-14, due 2031-08-01.
    at(&mut case, (2031, 8, 1));
    let early = patient(&case);
    assert!(early.plain.most_moved.as_deref().is_some_and(|s| s.contains("Jansen")), "{:?}", early.plain);
    // 32 weeks: no.
    at(&mut case, (2031, 5, 8));
    assert_eq!(patient(&case).plain.most_moved, None);
    // 20 weeks and bleeding: no, and care now.
    at(&mut case, (2031, 8, 1));
    case.context.bleeding = Bleeding::Now;
    let bleeding = patient(&case);
    assert!(bleeding.plain.most_moved.is_none() && bleeding.plain.urgent);
    let page = patient_page(&bleeding, &Language::bundled("en").unwrap(), Choices::default()).text();
    assert!(page.contains("needs care now") && !page.contains("Will it move"), "{page}");
    // Full bladder: nothing is classified, nothing is promised.
    case.context.bleeding = Bleeding::None;
    case.context.bladder = Bladder::Full;
    let unsure = patient(&case);
    assert!(unsure.plain.seen == Seen::Unsure && unsure.plain.most_moved.is_none());
}

#[test]
fn the_patients_page_holds_what_it_must_in_each_language_and_no_chance() {
    let mut case = Case::plain();
    case.side = Side::Covers;
    case.landmarks.placental_body = Some(PxPoint::new(420.0, 250.0));
    for (code, discuss, come) in
        [("en", "Discuss this page with your own clinician", "you bleed"), ("es", "Hable de esta hoja con su médico", "sangra")]
    {
        let words = Language::bundled(code).unwrap();
        let report = patient(&case);
        let page = patient_page(&report, &words, Choices { avoid: &[Avoid::Sex], phone: Some("+00 123") });
        let said = page.text();
        for part in [discuss, come, &words.covering, &words.avoid_sex, "+00 123"] {
            assert!(said.contains(part), "{code}: {part}\n{said}");
        }
        assert!(!said.contains('%') && !said.contains('{') && !said.contains(&words.avoid_travel), "{said}");
        let blank = patient_page(&report, &words, Choices::default());
        assert!(blank.text().contains("____") && blank.text().contains(&words.avoid_none));
        let letters = Letters::new().unwrap();
        for paper in [Paper::A4, Paper::Letter] {
            assert_eq!(page.pages(paper, &letters).len(), 1);
        }
        assert!(patient_html(&page).unwrap().contains(&format!("<html lang=\"{code}\" dir=\"ltr\">")));
    }
}

/// The grade of the hardest page of each language: every sentence that can stand on one.
#[test]
fn the_reading_grade_is_eight_or_less_whatever_the_page_says() {
    for code in ["en", "es"] {
        let w = Language::bundled(code).unwrap();
        let all = [
            &w.title,
            &w.discuss,
            &w.urgent,
            &w.covering,
            &w.reaching,
            &w.low,
            &w.not_low,
            &w.unsure,
            &w.limits,
            &w.most_move,
            &w.next_unknown,
            &w.avoid_none,
            &w.avoid_sex,
            &w.avoid_vagina,
            &w.avoid_exam,
            &w.avoid_exercise,
            &w.avoid_lifting,
            &w.avoid_travel,
        ];
        for text in all {
            // An index of single sentences is only a guide; that of a page is what it states.
            let c = counts(std::slice::from_ref(text), code == "es");
            assert!(code != "en" || flesch_kincaid(c) <= 8.0, "{text}: {}", flesch_kincaid(c));
        }
        let c = counts(&all.map(String::clone), code == "es");
        if code == "en" {
            assert!(flesch_kincaid(c) <= 5.0, "{}", flesch_kincaid(c));
        } else {
            assert!(fernandez_huerta(c) >= 75.0, "{}", fernandez_huerta(c));
        }
    }
}

#[test]
fn a_language_read_from_right_to_left_is_set_from_the_right() {
    let text = include_str!("../../src/report/languages/en.toml").replace("right-to-left = false", "right-to-left = true");
    let words = Language::parse(&text).unwrap();
    let records = one();
    let page = patient_page(&Asked::of(&records).report(), &words, Choices::default());
    assert!(patient_html(&page).unwrap().contains("dir=\"rtl\""));
    let letters = Letters::new().unwrap();
    let (width, _) = Paper::A4.size();
    for op in page.pages(Paper::A4, &letters).iter().flatten() {
        if let Op::Text { x, size, strong, text, .. } = op {
            let end = x + letters.width(text, *size, *strong);
            let listed = (end - (width - 46.0 - 14.0)).abs() < 0.01;
            assert!((end - (width - 46.0)).abs() < 0.01 || listed, "{text} ends at {end}");
        }
    }
}

#[test]
fn a_language_that_lacks_a_sentence_is_refused() {
    let text = include_str!("../../src/report/languages/en.toml").replace("come-waters =", "come-water =");
    assert!(Language::parse(&text).is_err());
    assert!(Language::bundled("xx").is_err());
}

#[test]
fn the_same_records_make_the_same_pdf() {
    let records = one();
    let make = || pdf::pdf(&Asked::of(&records).report(), Paper::A4).unwrap();
    let first = make();
    assert_eq!(first, make());
    assert!(first.starts_with(b"%PDF-1.7"));
}

#[test]
fn a_name_in_letters_that_are_not_embedded_does_not_stop_the_pdf() {
    let mut origin = Case::origin();
    origin.patient = Patient { name: Some("山田^花子".into()), number: Some("١٢".into()), birth_date: None };
    let records = vec![Case::plain().record_of(origin).unwrap()];
    let report = Asked { identity: true, ..Asked::of(&records) }.report();
    assert!(pdf::pdf(&report, Paper::A4).is_ok());
    assert!(html(&report).unwrap().contains("山田, 花子") && text(&report).contains("山田, 花子"));
}

#[test]
fn markup_in_a_name_stays_text() {
    let mut origin = Case::origin();
    origin.patient.name = Some("<script>alert(1)</script>".into());
    let records = vec![Case::plain().record_of(origin).unwrap()];
    let page = html(&Asked { identity: true, ..Asked::of(&records) }.report()).unwrap();
    assert!(!page.contains("<script") && !page.contains("http://") && !page.contains("https://"), "{}", &page[..600]);
}
