//! From saved records to the report's model.

use super::amend::amendment;
use super::picture::picture;
use super::{Line, Pair, Part, Report, Request, Standing, Weight};
use super::{measured, reviewed};
use crate::caseload::{Answered, SavedExam, Woman, measurement_of, series};
use crate::error::{Error, ErrorKind, Result};
use crate::guideline::{ExplainLine, Outcome, Shelf};
use crate::measure::{SideCheck, words};
use crate::plot::distance_line::{DistanceLine, Mark, Reading, bands};
use crate::plot::visits::{Visit, Visits};
use crate::reading::Distance;
use crate::record::ReadingRecord;
use crate::sheet::Section;
use crate::source::{Citation, Provenance};

/// Sections of the sheet that every report holds after the finding, in order: first what somebody must do or heed.
const ALWAYS: [&str; 8] = [
    "This visit",
    "Next scan",
    "The next scan must include",
    "Cautions",
    "What the frames come to",
    "Change over visits",
    "Also said",
    "Not said",
];
/// Those of them whose sentences stand one a line.
const ACTED_ON: [&str; 4] = ["This visit", "Next scan", "The next scan must include", "Cautions"];
/// Sections that a full report holds besides.
const IN_FULL: [&str; 3] = ["Other tables", "Birth, by issuing body", "Groups of women"];

/// Gives sources their numbers.
#[derive(Default)]
struct Sources(Vec<Citation>);

impl Sources {
    fn mark(&mut self, source: &Citation) -> String {
        let i = self.0.iter().position(|s| s == source).unwrap_or_else(|| {
            self.0.push(source.clone());
            self.0.len() - 1
        });
        match source.provenance {
            Provenance::FromMemory => format!("[{}, from memory]", i + 1),
            Provenance::SecondHand => format!("[{}, second-hand]", i + 1),
            _ => format!("[{}]", i + 1),
        }
    }

    fn line(&mut self, line: &ExplainLine) -> Line {
        Line { text: line.text.trim().to_owned(), mark: self.mark(&line.source) }
    }

    fn part(&mut self, title: &str, weight: Weight, lines: &[ExplainLine]) -> Option<Part> {
        let lines: Vec<Line> = lines.iter().map(|l| self.line(l)).collect();
        (!lines.is_empty()).then(|| Part { title: title.to_owned(), weight, lines })
    }
}

/// Sentences of the program about the records themselves: they have no source.
fn plain(title: &str, weight: Weight, lines: Vec<String>) -> Option<Part> {
    let lines: Vec<Line> = lines.into_iter().map(|text| Line { text, mark: String::new() }).collect();
    (!lines.is_empty()).then(|| Part { title: title.to_owned(), weight, lines })
}

impl Report {
    /// Makes the report of a saved exam.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when there is no such exam, [`ErrorKind::Guideline`] when bundled data is faulty, which a test rules out.
    pub fn of(request: &Request<'_>) -> Result<Self> {
        let none = || Error::new(ErrorKind::Usage, "there is no such exam").expected("an exam with a saved reading");
        let exam = request.woman.exams.get(request.exam).ok_or_else(none)?;
        let answered = exam.under(request.table)?;
        let decisive = exam.readings.get(answered.decisive).ok_or_else(none)?;
        let sheet = SavedExam::sheet_of(request.woman, request.exam, request.table, request.shelf)?;
        let section = |title: &str| sheet.section(title).map_or(&[][..], |s: &Section| s.lines.as_slice());
        let mut sources = Sources::default();
        let mut parts = Vec::new();
        let mut urgent = section("Urgent").to_vec();
        urgent.extend(told_nobody(exam, request.shelf)?);
        parts.extend(sources.part("Urgent", Weight::Alarm, &urgent));
        parts.extend(amendment(exam, request.all, request.issued));
        parts.extend(reviewed::part(exam, request.reviews));
        // The first sentence of these two stands above all others.
        let rest = |title| section(title).get(1..).unwrap_or_default().to_vec();
        parts.extend(sources.part("Finding", Weight::Fine, &rest("Finding")));
        for title in ALWAYS {
            let weight = if ACTED_ON.contains(&title) { Weight::Plain } else { Weight::Fine };
            parts.extend(sources.part(title, weight, section(title)));
            if title == "Cautions" {
                parts.extend(sources.part("Further lengths", Weight::Fine, &measured::lengths(&exam.readings)));
            }
        }
        parts.extend(sources.part("Frames", Weight::Fine, &measured::frames(&exam.readings)));
        if request.full {
            for title in IN_FULL {
                parts.extend(sources.part(title, Weight::Plain, section(title)));
            }
        }
        parts.extend(sources.part("Exam", Weight::Fine, section("Exam").get(1..).unwrap_or_default()));
        let mut scale = scale_lines(decisive, &rest("Distance"));
        scale.extend(measured::scale_checks(&exam.readings, request.full));
        parts.extend(sources.part("Distance and scale", Weight::Fine, &scale));
        parts.extend(plain("Readings", Weight::Fine, readings(exam, &answered, request.table)));
        if !request.full && IN_FULL.iter().any(|t| !section(t).is_empty()) {
            let text = "Other tables, windows of birth by issuing body and groups of women are in the full report and in the case sheet.";
            parts.extend(plain("Left out here", Weight::Fine, vec![text.to_owned()]));
        }
        if exam.table(request.shelf).is_none() {
            let text = format!("The guideline table that it was read with is not at hand: this is under {}.", request.table.name());
            parts.splice(0..0, plain("Guideline", Weight::Alarm, vec![text]));
        }
        let (headline, detail) = distance_words(decisive, request.table);
        Ok(Self {
            standing: reviewed::standing(exam, request),
            identity: if request.identity { identity(request.woman) } else { Vec::new() },
            facts: facts(exam, &answered, request),
            headline,
            detail,
            finding: section("Finding").first().map_or_else(|| decisive.finding_words.clone(), |l| l.text.clone()),
            table: format!("{}, edition {}", request.table.name(), request.table.edition()),
            straddling: straddling(&answered),
            parts,
            sources: sources.0,
            pictures: pictures(exam, answered.decisive, request),
            line: line(exam, &answered, request),
            serial: serial(request),
            records: records(exam, answered.decisive),
            plain: super::plain::plain(exam, &answered, request.shelf)?,
            made_at: request.made_at.to_owned(),
            software: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
        })
    }
}

/// The urgent matters that nobody is recorded to have been told of, one sentence each.
fn told_nobody(exam: &SavedExam, shelf: &Shelf) -> Result<Vec<ExplainLine>> {
    let line = |u: crate::followup::Urgent| ExplainLine {
        text: format!("NOT RECORDED THAT ANYBODY WAS TOLD: {}", u.id.words()),
        row: "report / told".to_owned(),
        source: Citation::fixed("as recorded", Provenance::OwnAssumption),
    };
    let untold = |u: &crate::followup::Urgent| !exam.told.iter().any(|t| u.id.told_by(t.matter));
    Ok(exam.urgent(shelf)?.into_iter().filter(untold).map(line).collect())
}

fn pair(what: &str, is: impl Into<String>) -> Pair {
    Pair { what: what.to_owned(), is: is.into() }
}

fn identity(woman: &Woman) -> Vec<Pair> {
    let p = &woman.patient;
    let known = |v: Option<String>| v.filter(|v| !v.trim().is_empty()).unwrap_or_else(|| "not known".to_owned());
    let name = p.name.as_ref().map(|n| n.split('^').filter(|s| !s.is_empty()).collect::<Vec<_>>().join(", "));
    vec![
        pair("Name", known(name)),
        pair("Number", known(p.number.clone())),
        pair("Date of birth", known(p.birth_date.map(|d| d.to_string()))),
    ]
}

fn facts(exam: &SavedExam, answered: &Answered, request: &Request<'_>) -> Vec<Pair> {
    let c = &answered.context;
    let each = |of: fn(&ReadingRecord) -> &str| {
        let mut all: Vec<&str> = exam.readings.iter().map(of).collect();
        all.sort_unstable();
        all.dedup();
        all.join(", ")
    };
    let day = |t: &str| t.get(..10).unwrap_or(t).to_owned();
    let mut days: Vec<String> = exam.readings.iter().map(|r| day(&r.saved_at)).collect();
    days.dedup();
    let standing = reviewed::standing(exam, request);
    let signed = match &standing {
        Standing::Signed { by, at, .. } => format!("{by}, {at}"),
        _ => "none".to_owned(),
    };
    vec![
        pair("Exam", c.exam_date.map_or_else(|| "date not known".to_owned(), |d| d.to_string())),
        pair(
            "Gestational age",
            answered.age.map_or_else(
                || "not known".to_owned(),
                |a| format!("{a}, {}", c.dating.map_or_else(|| "not dated".to_owned(), |d| d.words())),
            ),
        ),
        pair("Route", c.route.words()),
        pair("Bladder", c.bladder.words()),
        pair("Contraction", c.contraction.words()),
        pair("Reference", request.woman.key.clone()),
        pair("Read by", each(|r| &r.reader)),
        pair("Saved", days.join(", ")),
        pair("Reviewer", reviewed::reviewer(exam, request.reviews)),
        pair("Signature", signed),
    ]
}

fn distance_words(record: &ReadingRecord, table: &crate::guideline::Table) -> (String, String) {
    let Some(m) = measurement_of(record) else { return (record.headline.clone(), String::new()) };
    let print = words::printer(|printed, real| table.same_band(printed, real));
    (words::headline(&m.value, &print), words::detail(m, &print))
}

/// Said in a sentence of its own, besides the finding's own words.
fn straddling(answered: &Answered) -> Option<String> {
    let finding = answered.finding.as_ref()?;
    let reached = match &finding.outcome {
        Outcome::Straddles { also, .. } => also.len() + 1,
        Outcome::Reaches { also } if !also.is_empty() => also.len() + 1,
        _ if !finding.borderline.is_empty() => {
            return Some("BORDERLINE: near an edge of the table's bands this finding is not settled by one exam.".to_owned());
        }
        _ => return None,
    };
    Some(format!("NOT SETTLED: within the measurement error the distance may lie in any of {reached} bands of this table."))
}

/// The terms of the uncertainty, then the scale of the deciding frame.
fn scale_lines(record: &ReadingRecord, terms: &[ExplainLine]) -> Vec<ExplainLine> {
    let mut out = terms.to_vec();
    let own = |text: String, source: Citation| ExplainLine { text, row: "report / scale".to_owned(), source };
    let program = |text: &'static str| Citation::fixed(text, Provenance::OwnAssumption);
    match &record.distance {
        Distance::Measured(m) => {
            // What stands under the headline is not repeated.
            out.retain(|l| !l.text.starts_with("95 %"));
            let c = &m.scale.calibration;
            let (x, y) = c.mm_per_px();
            let text = format!("Scale {}: {x:.4} by {y:.4} mm a pixel (x by y)", c.basis().words());
            out.push(own(text, c.scale_source().clone()));
            out.extend(m.scale.warnings.iter().map(|w| own(w.clone(), program("what the file says of itself"))));
            if let Some(words) = side_words(&m.measurement.side_check) {
                out.push(own(words, program("the placental body's place is compared with the stated side")));
            }
        }
        Distance::NoScale { reason } => out.push(own(reason.clone(), program("no scale, no millimetres"))),
    }
    out
}

fn side_words(check: &SideCheck) -> Option<String> {
    Some(match check {
        SideCheck::Agrees => "The placental body lies where the stated side says.".to_owned(),
        SideCheck::Disagrees => "THE PLACENTAL BODY LIES ON THE OTHER SIDE THAN STATED.".to_owned(),
        SideCheck::CannotTell { angle_degrees } => {
            format!("The placental body lies at {angle_degrees:.0}° to the os–edge line, so that it cannot check the stated side.")
        }
        SideCheck::TooFar { distance_mm } => {
            format!("The placental body was marked {:.0} mm from the edge, too far to check the stated side.", distance_mm.get())
        }
        SideCheck::NotMarked => return None,
    })
}

fn readings(exam: &SavedExam, answered: &Answered, table: &crate::guideline::Table) -> Vec<String> {
    exam.readings
        .iter()
        .enumerate()
        .map(|(i, r)| {
            let (headline, detail) = distance_words(r, table);
            let detail = if detail.is_empty() { String::new() } else { format!("; {detail}") };
            let deciding = if i == answered.decisive { " (the deciding one)" } else { "" };
            let follows = if r.follows.is_empty() { "" } else { ", a correction" };
            format!(
                "Reading {} of {}{deciding}: {headline}{detail}; {}, saved {}{follows}; {}; record {}.",
                i + 1,
                exam.readings.len(),
                r.reader,
                r.saved_at,
                r.software,
                r.id()
            )
        })
        .collect()
}

fn records(exam: &SavedExam, decisive: usize) -> Vec<String> {
    let first = exam.readings.get(decisive).into_iter();
    let rest = exam.readings.iter().enumerate().filter(|(i, _)| *i != decisive).map(|(_, r)| r);
    first.chain(rest).map(|r| r.id().to_owned()).collect()
}

fn pictures(exam: &SavedExam, decisive: usize, request: &Request<'_>) -> Vec<super::Picture> {
    let numbered = || exam.readings.iter().enumerate();
    let one = |(i, r): (usize, &ReadingRecord)| {
        let (headline, _) = distance_words(r, request.table);
        picture(r, i + 1, headline, request.table, request.images)
    };
    numbered().filter(|(i, _)| *i == decisive).chain(numbered().filter(|(i, _)| *i != decisive)).map(one).collect()
}

fn line(exam: &SavedExam, answered: &Answered, request: &Request<'_>) -> DistanceLine {
    let reading = exam.readings.get(answered.decisive).and_then(measurement_of);
    let frames = exam.readings.iter().enumerate().filter(|(i, _)| *i != answered.decisive);
    let mark = |(_, r): (usize, &ReadingRecord)| {
        let left_out = matches!(r.notes.checklist.adequacy(), crate::exam::Adequacy::Inadequate { .. });
        measurement_of(r).map(|m| Mark { value: m.value, earlier: false, label: String::new(), left_out })
    };
    DistanceLine {
        bands: bands(request.table),
        reading: reading.map(|m| Reading { value: m.value, u_mm: m.u_mm, interval: m.interval }),
        marks: frames.filter_map(mark).collect(),
        exam: None,
    }
}

fn serial(request: &Request<'_>) -> Visits {
    let found = series(request.woman, request.exam);
    let one = |(p, i): (&crate::trend::Point, &crate::estimate::Interval)| Visit {
        weeks: f64::from(p.age.total_days()) / 7.0,
        age: p.age.to_string(),
        signed_mm: p.signed_mm.get(),
        low_mm: i.low_mm.map(crate::units::Mm::get),
        high_mm: i.high_mm.map(crate::units::Mm::get),
    };
    Visits { visits: found.points.iter().zip(&found.intervals).map(one).collect(), bands: bands(request.table) }
}
