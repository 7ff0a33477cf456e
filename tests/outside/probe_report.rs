//! Answers for tests/outside/report_*.py and tests/bench/reports.py: records that are the same at every run, what a report's model
//! says, where things stand on its pages, and how long many reports take. JSON lines in and out.
#![allow(missing_docs, unreachable_pub, dead_code, clippy::unwrap_used, clippy::print_stdout, clippy::print_stderr)]

#[path = "../common/records.rs"]
mod invented;

use std::cell::RefCell;
use std::collections::HashMap;
use std::io::BufRead;
use std::path::Path;
use std::time::Instant;

use osspan::caseload::{Caseload, table_or_first};
use osspan::context::Bleeding;
use osspan::exam::{Checklist, FrameNotes};
use osspan::frame::FrameId;
use osspan::guideline::Shelf;
use osspan::load::StoredFile;
use osspan::plot::{Anchor, Shape};
use osspan::record::{Origin, Patient, ReadingRecord, Store};
use osspan::report::pdf::{Letters, Op, Paper, on_paper, pages, pdf};
use osspan::report::readability::{counts, fernandez_huerta, flesch_kincaid};
use osspan::report::{Choices, Images, Language, Raster, Report, Request, patient_page};
use serde_json::{Value, json};

type Fault = Box<dyn std::error::Error>;

/// The moment at which everything here was saved.
const SAVED: &str = "2031-03-14T12:00:00+01:00";

/// The sample's frames by their files' SOP Instance UID, decoded once.
struct Frames {
    files: HashMap<String, StoredFile>,
    seen: RefCell<HashMap<FrameId, Raster>>,
}

impl Frames {
    fn of(folder: Option<&str>) -> Self {
        let mut files = HashMap::new();
        for dir in folder.into_iter().flat_map(|f| std::fs::read_dir(f).unwrap()) {
            let Ok(inside) = std::fs::read_dir(dir.unwrap().path()) else { continue };
            for path in inside.map(|e| e.unwrap().path()) {
                if let Ok(file) = StoredFile::open(&path) {
                    files.insert(file.facts().sop_instance_uid.clone().unwrap_or_default(), file);
                }
            }
        }
        Self { files, seen: RefCell::default() }
    }
}

impl Images for Frames {
    fn picture(&self, wanted: &FrameId) -> Result<Raster, String> {
        if let Some(known) = self.seen.borrow().get(wanted) {
            return Ok(known.clone());
        }
        let file = self.files.get(wanted.sop_instance_uid.as_deref().unwrap_or_default()).ok_or("its image is not among those named")?;
        let frame = file.frame(wanted.frame_number).map_err(|e| e.message())?;
        let raster = Raster { width: frame.width, height: frame.height, rgba: frame.to_rgba8() };
        self.seen.borrow_mut().insert(wanted.clone(), raster.clone());
        Ok(raster)
    }
}

/// The records of a folder with a fixed moment in place of their own, and all that follows from it.
fn fixed(from: &Path, to: &Path) -> Result<Value, Fault> {
    let mut all: Vec<ReadingRecord> = Store::at(from).load()?.0.into_iter().map(|s| s.record).collect();
    all.sort_by(|a, b| a.frame.cmp(&b.frame));
    for record in &mut all {
        (record.exam, record.saved_at) = (None, SAVED.into());
        record.content_sha256 = record.digest()?;
    }
    let store = Store::at(to);
    for record in all.clone() {
        store.save(&record.with_exam(&all)?)?;
    }
    Ok(json!({ "records": all.len() }))
}

/// Invented exams, one to a folder: a simple one; one with everything marked and something urgent; one in letters that are not embedded.
fn invented(to: &Path) -> Result<Value, Fault> {
    let mut checklist = Checklist::default();
    checklist.attest_all(true);
    let named = |name: &str| Origin {
        patient: Patient { name: Some(name.into()), number: Some("000-17".into()), birth_date: Some(jiff::civil::date(2001, 5, 2)) },
        ..invented::Case::origin()
    };
    let mut simple = invented::Case::plain();
    simple.notes = FrameNotes { checklist: checklist.clone(), ..FrameNotes::default() };
    Store::at(to.join("simple")).save(&simple.record_of(named("Invented^Ada"))?)?;
    let mut all = invented::Case::plain();
    all.context.bleeding = Bleeding::Now;
    all.notes = FrameNotes { more: invented::further_landmarks(), checklist, ..FrameNotes::default() };
    Store::at(to.join("everything")).save(&all.record_of(named("Müller-Ångström^Ωμέγα^Ёлка"))?)?;
    Store::at(to.join("letters")).save(&simple.record_of(named("山田^花子"))?)?;
    Ok(json!({ "saved_at": SAVED }))
}

fn of_shape(shape: &Shape) -> Value {
    let ink = |i: osspan::plot::Ink| on_paper(i);
    match shape {
        Shape::Bar { x, y, width, height, ink: i } => json!({"is": "bar", "at": [x, y, width, height], "ink": ink(*i)}),
        Shape::Line { points, width, ink: i } => json!({"is": "line", "points": points, "width": width, "ink": ink(*i)}),
        Shape::Under { points, base, ink: i } => json!({"is": "under", "points": points, "base": base, "ink": ink(*i)}),
        Shape::Dot { at, radius, filled, ink: i } => json!({"is": "dot", "at": at, "radius": radius, "filled": filled, "ink": ink(*i)}),
        Shape::Triangle { at, height, ink: i } => json!({"is": "triangle", "at": at, "height": height, "ink": ink(*i)}),
        Shape::Text { at, anchor, size, text, ink: i } => {
            let anchor = match anchor {
                Anchor::Start => "start",
                Anchor::Middle => "middle",
                Anchor::End => "end",
            };
            json!({"is": "text", "at": at, "anchor": anchor, "size": size, "text": text, "ink": ink(*i)})
        }
    }
}

fn of_op(op: &Op) -> Value {
    let shapes = |all: &[Shape]| all.iter().map(of_shape).collect::<Vec<_>>();
    match op {
        Op::Text { x, y, size, strong, ink, text } => {
            json!({"is": "text", "x": x, "y": y, "size": size, "strong": strong, "ink": ink, "text": text})
        }
        Op::Box { at, fill, edge } => json!({"is": "box", "at": at, "fill": fill, "edge": edge}),
        Op::Plot { at, shapes: s } => json!({"is": "plot", "at": at, "shapes": shapes(s)}),
        Op::Frame { at, picture, overlay } => json!({"is": "frame", "at": at, "picture": picture, "overlay": shapes(overlay)}),
        Op::Code { at } => json!({"is": "code", "at": at}),
    }
}

/// What the reports of a folder say, and what stands where on their pages.
fn models(request: &Value) -> Result<Value, Fault> {
    let folder = Path::new(request["records"].as_str().unwrap_or_default());
    let paper = if request["paper"] == "letter" { Paper::Letter } else { Paper::A4 };
    let frames = Frames::of(request["images"].as_str());
    let all: Vec<ReadingRecord> = Store::at(folder).load()?.0.into_iter().map(|s| s.record).collect();
    let (shelf, letters) = (Shelf::bundled(), Letters::new()?);
    let cases = Caseload::of(all.clone(), &[]);
    let mut out = Vec::new();
    for woman in &cases.women {
        for exam in 0..woman.exams.len() {
            let made = report(woman, exam, &all, &shelf, &frames, request)?;
            let laid: Vec<Vec<Value>> = pages(&made, paper, &letters).iter().map(|p| p.iter().map(of_op).collect()).collect();
            let mut patients = serde_json::Map::new();
            for code in ["en", "es"] {
                let page = patient_page(&made, &Language::bundled(code)?, Choices::default());
                let c = counts(&page.sentences(), code == "es");
                let grade = if code == "es" { fernandez_huerta(c) } else { flesch_kincaid(c) };
                patients.insert(code.into(), json!({"sentences": page.sentences(), "text": page.text(), "grade": grade}));
            }
            out.push(json!({
                "day": woman.exams[exam].context.exam_date,
                "key": woman.key,
                "standing": made.standing.words(),
                "watermark": made.standing.watermark(),
                "identity": made.identity,
                "facts": made.facts,
                "head": [made.headline, made.detail, made.finding, made.table, made.straddling.clone().unwrap_or_default()],
                "parts": made.parts,
                "sources": made.numbered_sources(),
                "digest": made.digest(),
                "captions": made.pictures.iter().map(osspan::report::Picture::caption).collect::<Vec<_>>(),
                "pages": laid,
                "patient": patients,
            }));
        }
    }
    Ok(Value::Array(out))
}

fn report(
    woman: &osspan::caseload::Woman,
    exam: usize,
    all: &[ReadingRecord],
    shelf: &Shelf,
    images: &dyn Images,
    request: &Value,
) -> osspan::Result<Report> {
    Report::of(&Request {
        woman,
        exam,
        table: &table_or_first(&woman.exams[exam], shelf)?,
        shelf,
        all,
        issued: &[],
        images,
        identity: request["identity"] == true,
        draft: request["draft"] == true,
        full: request["full"] == true,
        reviews: &osspan::review::exams(all, &[]),
        signers: &[],
        made_at: request["now"].as_str().unwrap_or(SAVED),
    })
}

/// Seconds for so many reports of the newest exam of a folder as PDF: from records to bytes, and from laid-out pages to bytes.
/// The frames are written as PNG beside, so that another library can draw the same.
fn speed(request: &Value) -> Result<Value, Fault> {
    let folder = Path::new(request["records"].as_str().unwrap_or_default());
    let count = request["count"].as_u64().unwrap_or(1);
    let frames = Frames::of(request["images"].as_str());
    let all: Vec<ReadingRecord> = Store::at(folder).load()?.0.into_iter().map(|s| s.record).collect();
    let shelf = Shelf::bundled();
    let cases = Caseload::of(all.clone(), &[]);
    let woman = cases.women.last().ok_or("no woman")?;
    let exam = woman.exams.len() - 1;
    let one = report(woman, exam, &all, &shelf, &frames, request)?;
    let begun = Instant::now();
    let mut bytes = 0;
    for _ in 0..count {
        bytes = pdf(&report(woman, exam, &all, &shelf, &frames, request)?, Paper::A4)?.len();
    }
    let seconds = begun.elapsed().as_secs_f64();
    let to = Path::new(request["to"].as_str().unwrap_or_default());
    let mut pictures = Vec::new();
    for (i, picture) in one.pictures.iter().enumerate() {
        let path = to.join(format!("{i}.png"));
        if let Ok(r) = &picture.raster {
            image::save_buffer(&path, &r.rgba, r.width, r.height, image::ExtendedColorType::Rgba8)?;
        }
        pictures.push(path);
    }
    let laid: Vec<Vec<Value>> = pages(&one, Paper::A4, &Letters::new()?).iter().map(|p| p.iter().map(of_op).collect()).collect();
    let bars = osspan::report::qr::bars(&one.code(), 62.0);
    Ok(json!({"seconds": seconds, "bytes": bytes, "pages": laid, "pictures": pictures, "bars": bars}))
}

fn answer(request: &Value) -> Result<Value, Fault> {
    let path = |name: &str| Path::new(request[name].as_str().unwrap_or_default()).to_path_buf();
    match request["do"].as_str().unwrap_or_default() {
        "fixed" => fixed(&path("from"), &path("to")),
        "invented" => invented(&path("to")),
        "models" => models(request),
        "speed" => speed(request),
        other => Err(format!("nothing is called {other}").into()),
    }
}

fn main() {
    for line in std::io::stdin().lock().lines().map_while(Result::ok) {
        let request: Value = serde_json::from_str(&line).unwrap_or_default();
        println!("{}", answer(&request).unwrap_or_else(|e| json!({ "error": e.to_string() })));
    }
}
