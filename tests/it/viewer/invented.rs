//! An invented exam in memory, and a world that answers a session at once.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use jiff::civil::date;
use osspan::caseload::{Caseload, due_rows};
use osspan::files::Settings;
use osspan::followup::Told;
use osspan::frame::{Frame, FrameId, Geometry, RawRegion, Samples};
use osspan::load::{ExamKey, Facts, Identity, Kind, StudyFacts};
use osspan::record::{Draft, Stored, StoredTold, ToldRecord};
use osspan::viewer::action::{Action, Effect, Found};
use osspan::viewer::app::World;
use osspan::viewer::session::{DueList, ExamState, FrameKey, PlanAction, PlanEffect, SourceFile};

/// Millimetres per pixel of the invented frames.
pub const MM_PER_PX: f64 = 0.1;

/// An invented frame of 640 × 480 px with something to see on it.
pub fn frame(path: &str, number: u32) -> Frame {
    let (w, h) = (640_u32, 480_u32);
    let mut data = Vec::with_capacity((w * h) as usize);
    let mut seed = 12345_u32.wrapping_add(number);
    for y in 0..h {
        for x in 0..w {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let speckle = (seed >> 24) as f64 / 255.0;
            let (dx, dy) = (f64::from(x) - 320.0, f64::from(y) + 60.0);
            let (r, a) = (dx.hypot(dy), dx.atan2(dy).to_degrees());
            let in_fan = a.abs() < 38.0 && r > 80.0 && r < 530.0;
            let placenta = ((f64::from(x) - 170.0) / 90.0).powi(2) + ((f64::from(y) - 330.0) / 60.0).powi(2) < 1.0;
            let base = if !in_fan {
                0.0
            } else if placenta {
                130.0
            } else {
                55.0
            };
            data.push((base * (0.4 + 0.9 * speckle)) as u8);
        }
    }
    let id = FrameId { sha256: format!("{path}-{number}"), sop_instance_uid: Some("1.2.3".into()), frame_number: number };
    Frame { id, width: w, height: h, samples: Samples::Gray8(data) }
}

pub fn geometry() -> Geometry {
    let region = RawRegion { flags: Some(0), ..RawRegion::of_tissue([0, 0, 639, 479], [MM_PER_PX / 10.0, MM_PER_PX / 10.0]) };
    Geometry { rows: 480, columns: 640, regions: vec![region], pixel_spacing_row_column: None, pixel_aspect_vertical_horizontal: None }
}

pub fn patient() -> Identity {
    Identity { name: Some("Invented^Ada".into()), number: Some("000-17".into()), birth_date: Some(date(2001, 5, 2)) }
}

pub fn facts(study: &str, day: jiff::civil::Date) -> Facts {
    Facts {
        study: StudyFacts::default(),
        kind: Kind::Dicom,
        patient: patient(),
        study_instance_uid: Some(study.into()),
        series_instance_uid: None,
        sop_class_uid: None,
        sop_instance_uid: Some("1.2.3".into()),
        modality: Some("US".into()),
        exam_date: Some(day),
        manufacturer: None,
        model: None,
        station: None,
        serial_number: None,
        preset: None,
        transfer_syntax_uid: "1.2.840.10008.1.2.1".into(),
        transfer_syntax_name: "Explicit VR Little Endian".into(),
        photometric: Some("MONOCHROME2".into()),
        image_type: Vec::new(),
        transducer_type: None,
        transducer_data: Vec::new(),
        frame_time_ms: None,
        frame_time_vector_ms: Vec::new(),
        cine_rate: None,
        last_menstrual_date: None,
        burned_in: None,
        identity_removed: None,
    }
}

/// One exam with files of these frame counts.
pub fn exam(study: &str, day: jiff::civil::Date, files: &[(&str, u32)]) -> ExamState {
    let source = |(name, count): &(&str, u32)| SourceFile {
        path: PathBuf::from(name),
        frame_count: *count,
        geometry: geometry(),
        facts: facts(study, day),
        warnings: Vec::new(),
    };
    ExamState::new(ExamKey::Study(study.into()), patient(), Some(day), files.iter().map(source).collect(), Vec::new())
}

/// Three invented visits.
pub fn found() -> Found {
    let mut exams = vec![
        exam("1.1", date(2030, 12, 19), &[("visit1-a.dcm", 1)]),
        exam("1.2", date(2031, 3, 14), &[("visit2-a.dcm", 1), ("visit2-cine.dcm", 6)]),
        exam("1.3", date(2031, 4, 11), &[("visit3-a.dcm", 1)]),
    ];
    for e in &mut exams {
        e.name_for_itself("us-consensus-2014", osspan::context::Dating::DueDate(date(2031, 5, 8)));
        e.names_table = None;
    }
    Found { exams, not_frames: vec![("readme.txt".into(), "not an image".into())], stopped: false }
}

/// A world in memory: decodes invented frames, keeps records and settings, and remembers what it was asked.
#[derive(Clone, Default)]
pub struct Memory {
    pub saved: Arc<Mutex<Vec<Stored>>>,
    pub asked: Arc<Mutex<Vec<String>>>,
    pub settings: Arc<Mutex<Settings>>,
    pub drafts: Arc<Mutex<BTreeMap<String, Draft>>>,
    pub told: Arc<Mutex<Vec<StoredTold>>>,
    answers: Arc<Mutex<Vec<Action>>>,
}

impl Memory {
    /// Answers one effect.
    pub fn answer(&self, effect: Effect) -> Option<Action> {
        self.asked.lock().unwrap().push(format!("{effect:?}").chars().take(40).collect());
        match effect {
            Effect::Open(_) => Some(Action::Opened(Ok(found()))),
            Effect::Decode(key) => Some(Action::Decoded(key.clone(), Ok(Arc::new(frame(&key.path.to_string_lossy(), key.number))))),
            Effect::Save(job) => {
                let record = job.record("2031-03-14T09:26:53+01:00".into()).map_err(|e| e.to_string());
                let stored = record.map(|record| Box::new(Stored { path: PathBuf::from("records/reading.json"), record }));
                if let Ok(s) = &stored {
                    self.saved.lock().unwrap().push((**s).clone());
                }
                Some(Action::Saved(job, stored))
            }
            Effect::KeepSettings(settings) => {
                *self.settings.lock().unwrap() = settings;
                None
            }
            Effect::KeepDraft(mut draft) => {
                (draft.kept_at, draft.window) = ("2031-03-14T09:26:53+01:00".into(), "w1".into());
                self.drafts.lock().unwrap().insert(draft.name(), *draft);
                None
            }
            Effect::DiscardDraft(mut draft) => {
                if draft.window.is_empty() {
                    draft.window = "w1".into();
                }
                self.drafts.lock().unwrap().remove(&draft.name());
                None
            }
            Effect::Archive(_)
            | Effect::Review(_)
            | Effect::Agreement(_)
            | Effect::Practice(_)
            | Effect::ReadRecords(_)
            | Effect::Teaching(_)
            | Effect::Report(_)
            | Effect::Copy(_)
            | Effect::Scale(_)
            | Effect::DecodeAhead(_)
            | Effect::StopOpening
            | Effect::PickFiles
            | Effect::PickFolder
            | Effect::Focus(_)
            | Effect::Close => None,
            Effect::Plan(effect) => Some(Action::Plan(self.plan(effect))),
        }
    }
}

impl Memory {
    /// Who is due on 2031-03-15, and who was told at 10:05 that day.
    fn plan(&self, effect: PlanEffect) -> PlanAction {
        let saved = self.saved.lock().unwrap();
        match effect {
            PlanEffect::List(asked) => {
                let told: Vec<_> = self.told.lock().unwrap().iter().map(|t: &StoredTold| t.record.clone()).collect();
                let cases = Caseload::of(saved.iter().map(|s| s.record.clone()).collect(), &told);
                let today = date(2031, 3, 15);
                let rows = due_rows(&cases, &asked.0, &std::collections::HashSet::new(), &asked.1, today).unwrap();
                let names = cases.women.into_iter().map(|w| (w.key, w.patient)).collect();
                let studies = saved.iter().map(|s| (s.record.id().to_owned(), s.record.study_instance_uid.clone().unwrap())).collect();
                PlanAction::Listed(Ok(Box::new(DueList { today, rows, names, studies, left_out: Vec::new() })))
            }
            PlanEffect::SaveTold(asked) => {
                let (id, told, shelf) = *asked;
                let reading = saved.iter().find(|s| s.record.id() == id).unwrap();
                let at = if told.at.is_empty() { "2031-03-15T10:05:00+01:00".into() } else { told.at.clone() };
                let made = ToldRecord::new(&reading.record, Told { at, ..told }, "2031-03-15T10:05:00+01:00".into(), &shelf);
                let stored = made.map(|record| StoredTold { path: PathBuf::from("records/told.json"), record });
                if let Ok(s) = &stored {
                    self.told.lock().unwrap().push(s.clone());
                }
                PlanAction::ToldSaved(stored.map(Box::new).map_err(|e| e.to_string()))
            }
        }
    }
}

impl World for Memory {
    fn carry_out(&mut self, effect: Effect, _: &egui::Context) {
        if let Some(action) = self.answer(effect) {
            self.answers.lock().unwrap().push(action);
        }
    }

    fn finish(&mut self) {}

    fn answers(&mut self) -> Vec<Action> {
        std::mem::take(&mut *self.answers.lock().unwrap())
    }
}

pub fn key(path: &str, number: u32) -> FrameKey {
    FrameKey { path: PathBuf::from(path), number }
}
