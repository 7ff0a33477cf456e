//! Invented readings and records, as many as are asked for.

use osspan::Result;
use osspan::context::{Bladder, Contraction, Dating, ExamContext, Route};
use osspan::estimate::Interval;
use osspan::exam::FrameNotes;
use osspan::frame::{FrameId, Geometry, RawRegion};
use osspan::guideline::{self, Table};
use osspan::measure::more::MoreLandmarks;
use osspan::measure::{EdgeMark, Landmarks, Measurement, Repeatability, Side, SideCheck, Value};
use osspan::reading::{self, Inputs};
use osspan::record::{Origin, Patient, ReadingRecord};
use osspan::units::{Mm, PxPoint};

pub fn geometry() -> Geometry {
    let region = RawRegion::of_tissue([10, 10, 620, 470], [0.01, 0.01]);
    Geometry { rows: 480, columns: 640, regions: vec![region], ..Geometry::default() }
}

/// A measurement of `value` as a table is given it: its interval's ends and its uncertainty are what the test says.
pub fn measurement(value: Value, side: Side, (low, high): (Option<f64>, Option<f64>), u_mm: f64, assumed: bool) -> Measurement {
    Measurement {
        method: osspan::measure::METHOD.into(),
        value,
        side,
        side_check: SideCheck::Agrees,
        terms: Vec::new(),
        u_mm: Mm::new(u_mm),
        interval: Interval { low_mm: low.map(Mm::new), high_mm: high.map(Mm::new), coverage: 0.95 },
        assumed_repeatability: assumed,
        marginal_sinus_mm: None,
    }
}

pub fn landmarks() -> Landmarks {
    Landmarks {
        internal_os: PxPoint::new(300.0, 240.0),
        edge: EdgeMark::PlacentalEdge { at: PxPoint::new(160.0, 240.0) },
        placental_body: Some(PxPoint::new(90.0, 260.0)),
        marginal_sinus: None,
    }
}

pub fn context() -> ExamContext {
    ExamContext {
        exam_date: Some(jiff::civil::date(2031, 3, 14)),
        dating: Some(Dating::DueDate(jiff::civil::date(2031, 5, 8))),
        route: Route::Transvaginal,
        bladder: Bladder::Empty,
        contraction: Contraction::Absent,
        ..ExamContext::default()
    }
}

/// Every further landmark, about those of [`landmarks`].
pub fn further_landmarks() -> MoreLandmarks {
    let at = |x, y| Some(PxPoint::new(x, y));
    MoreLandmarks {
        external_os: at(300.0, 460.0),
        canal: vec![PxPoint::new(345.0, 350.0)],
        plates_meet: at(160.0, 240.0),
        basal_plate: at(120.0, 200.0),
        chorionic_plate: at(120.0, 280.0),
        vessel: at(420.0, 240.0),
        fetal_rate: Some(true),
        cord_loop_excluded: None,
        wall: vec![PxPoint::new(230.0, 290.0)],
        os_end: at(285.0, 240.0),
        os_other_end: at(315.0, 240.0),
    }
}

pub fn table() -> Table {
    guideline::table("us-consensus-2014").unwrap()
}

/// A reading, ready to be changed.
pub struct Case {
    pub geometry: Geometry,
    pub landmarks: Landmarks,
    pub side: Side,
    pub context: ExamContext,
    pub notes: FrameNotes,
    pub table: Table,
}

impl Case {
    pub fn plain() -> Self {
        Self {
            geometry: geometry(),
            landmarks: landmarks(),
            side: Side::NotCovering,
            context: context(),
            notes: FrameNotes::default(),
            table: table(),
        }
    }

    pub fn read(&self) -> Result<reading::Reading> {
        reading::read(&self.inputs(&Repeatability::assumed_total()))
    }

    pub fn inputs<'a>(&'a self, repeatability: &'a Repeatability) -> Inputs<'a> {
        Inputs {
            geometry: &self.geometry,
            landmarks: &self.landmarks,
            side: self.side,
            consent: None,
            scale: &osspan::calibrate::HEADER_ALONE,
            repeatability,
            context: &self.context,
            notes: &self.notes,
            table: &self.table,
        }
    }

    pub fn origin() -> Origin {
        Origin {
            frame: FrameId { sha256: "ab".repeat(32), sop_instance_uid: Some("2.25.1".into()), frame_number: 1 },
            patient: Patient { name: Some("Invented^Ada".into()), ..Patient::default() },
            study_instance_uid: Some("2.25.2".into()),
            reader: "R. Ito".into(),
            saved_at: "2031-03-14T10:00:00+01:00".into(),
            follows: Vec::new(),
            scanner: None,
        }
    }

    pub fn record(&self) -> Result<ReadingRecord> {
        self.record_of(Self::origin())
    }

    pub fn record_of(&self, origin: Origin) -> Result<ReadingRecord> {
        let repeatability = Repeatability::assumed_total();
        let inputs = self.inputs(&repeatability);
        ReadingRecord::new(&inputs, &reading::read(&inputs)?, origin)
    }

    /// Another invented record for each number: 16 frames a patient, 4 readers, 400 days.
    pub fn numbered(&mut self, n: u64, follows: Vec<String>) -> Result<ReadingRecord> {
        let day = jiff::civil::date(2031, 1, 1) + jiff::Span::new().days((n % 400) as i64);
        self.landmarks.edge =
            EdgeMark::PlacentalEdge { at: PxPoint::new(60.0 + (n * 37 % 239) as f64, 240.0 + (n % 1_000_000) as f64 * 1e-6) };
        self.landmarks.placental_body = Some(PxPoint::new(20.0, 260.0));
        self.context.exam_date = Some(day);
        self.context.dating = Some(Dating::DueDate(day + jiff::Span::new().days(60)));
        self.record_of(Origin {
            frame: FrameId {
                sha256: format!("{n:016x}").repeat(4),
                sop_instance_uid: Some(format!("2.25.{n}")),
                frame_number: (n % 16) as u32 + 1,
            },
            patient: Patient { name: Some("Invented^Ada".into()), number: Some(format!("INV-{}", n / 16)), ..Patient::default() },
            study_instance_uid: Some(format!("2.25.9{}", n / 16)),
            reader: ["R. Ito", "B. Owusu", "C. Lindqvist", "D. Haddad"][(n % 4) as usize].into(),
            saved_at: format!("{day}T10:00:{:02}+01:00", n % 60),
            follows,
            scanner: None,
        })
    }
}
