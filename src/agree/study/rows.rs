//! A study as one table of figures: what the text and the CSV print.

use serde::{Deserialize, Serialize};

use super::analyse::{PairStudy, Study, Together};
use crate::agree::Estimate;
use crate::agree::bootstrap::Bootstrap;
use crate::agree::components::{Nested, Within};
use crate::agree::icc::Icc;

/// One figure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// Whose: "A and B", a reader, "all readers", "this department".
    pub who: String,
    /// What it is.
    pub figure: String,
    /// mm, mm², a number without unit, or a share of 1.
    pub unit: String,
    /// The figure.
    pub value: f64,
    /// Lower end of its 95 % interval.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Frames, patients or degrees of freedom behind it, as `basis` says.
    pub n: f64,
    /// What `n` counts, and how the interval was made.
    pub basis: String,
}

impl Row {
    /// Digits after the point that it is shown with.
    #[must_use]
    pub fn digits(&self) -> usize {
        if self.unit.starts_with("mm") && self.unit != "mm per mm" { 2 } else { 3 }
    }
}

struct Rows(Vec<Row>);

impl Rows {
    fn push(&mut self, who: &str, figure: &str, unit: &str, e: Estimate, n: f64, basis: &str) {
        self.0.push(Row {
            who: who.into(),
            figure: figure.into(),
            unit: unit.into(),
            value: e.value,
            low: e.low,
            high: e.high,
            n,
            basis: basis.into(),
        });
    }

    fn over_patients(&mut self, who: &str, figure: &str, unit: &str, b: Option<&Bootstrap>) {
        if let Some(b) = b {
            self.push(who, figure, unit, b.estimate, b.clusters as f64, "patients, resampled");
        }
    }

    fn icc(&mut self, who: &str, icc: Option<&Icc>) {
        let Some(i) = icc else { return };
        for (name, e) in [
            ("ICC(1,1)", i.icc_1_1),
            ("ICC(2,1)", i.icc_2_1),
            ("ICC(3,1)", i.icc_3_1),
            ("ICC(1,k)", i.icc_1_k),
            ("ICC(2,k)", i.icc_2_k),
            ("ICC(3,k)", i.icc_3_k),
        ] {
            self.push(who, name, "", e, i.subjects as f64, FRAMES);
        }
    }

    fn within(&mut self, who: &str, what: &str, w: &Within) {
        let basis = if w.coverage_claimed { "degrees of freedom" } else { "degrees of freedom, too few to claim the interval's coverage" };
        self.push(who, &format!("{what} SD"), "mm", w.sd, w.degrees, basis);
        self.push(who, &format!("{what} repeatability coefficient"), "mm", w.repeatability_coefficient, w.degrees, basis);
    }

    fn nested(&mut self, who: &str, n: &Nested) {
        if let Some(p) = &n.placement {
            self.within(who, "placement (one frame again)", p);
        }
        if let Some(a) = n.acquisition_variance {
            self.push(who, "acquisition (another frame) variance", "mm²", a, n.frame_degrees, "degrees of freedom");
        }
        if let Some(t) = &n.total {
            self.within(who, "total within reader and exam", t);
        }
    }
}

const FRAMES: &str = "frames, taken for independent";

impl Study {
    /// Every figure, one a row.
    #[must_use]
    pub fn rows(&self) -> Vec<Row> {
        let mut rows = Rows(Vec::new());
        for p in &self.pairs {
            pair(&mut rows, p);
        }
        if let Some(t) = &self.together {
            all_readers(&mut rows, t, self.readers.len());
        }
        for r in &self.by_reader {
            if let Some(n) = &r.within {
                rows.nested(&r.reader, n);
            }
        }
        if let Some(n) = &self.within {
            rows.nested("this department", n);
        }
        rows.0
    }
}

fn pair(rows: &mut Rows, p: &PairStudy) {
    let who = format!("{} and {}", p.first, p.second);
    rows.over_patients(&who, "bias", "mm", p.bias_over_patients.as_ref());
    rows.over_patients(&who, "lower limit of agreement", "mm", p.lower_limit_over_patients.as_ref());
    rows.over_patients(&who, "upper limit of agreement", "mm", p.upper_limit_over_patients.as_ref());
    if let Some(b) = &p.bland_altman {
        let n = b.pairs as f64;
        rows.push(&who, "bias", "mm", b.bias, n, FRAMES);
        rows.push(&who, "SD of differences", "mm", b.sd, n, FRAMES);
        rows.push(&who, "lower limit of agreement", "mm", b.lower_limit, n, FRAMES);
        rows.push(&who, "upper limit of agreement", "mm", b.upper_limit, n, FRAMES);
        if let Some(l) = &b.proportional_bias {
            rows.push(&who, "proportional bias", "mm per mm", l.slope, n, FRAMES);
            rows.push(&who, "probability of such a slope without one", "", Estimate::bare(l.p), n, FRAMES);
        }
        if let Some(v) = b.assumptions.normality_p {
            rows.push(&who, "probability of such differences if normal", "", Estimate::bare(v), n, FRAMES);
        }
        if let Some(v) = b.assumptions.constant_spread_p {
            rows.push(&who, "probability of such a spread if constant", "", Estimate::bare(v), n, FRAMES);
        }
    }
    rows.over_patients(&who, "ICC(2,1)", "", p.icc_2_1_over_patients.as_ref());
    rows.icc(&who, p.icc.as_ref());
    rows.over_patients(&who, "kappa of findings", "", p.kappa_over_patients.as_ref());
    for (name, k) in
        [("kappa of findings", &p.kappa), ("kappa, linear weights", &p.kappa_linear), ("kappa, quadratic weights", &p.kappa_quadratic)]
    {
        if let Some(k) = k {
            rows.push(&who, name, "", k.kappa, k.subjects as f64, FRAMES);
        }
    }
    rows.over_patients(&who, "share of findings changed", "of 1", p.changed_over_patients.as_ref());
    for s in &p.subgroups {
        let of = |what: &str| format!("{what}, {}", s.part.words());
        rows.over_patients(&who, &of("bias"), "mm", s.bias_over_patients.as_ref());
        if let Some(b) = &s.bland_altman {
            rows.push(&who, &of("bias"), "mm", b.bias, b.pairs as f64, FRAMES);
            rows.push(&who, &of("SD of differences"), "mm", b.sd, b.pairs as f64, FRAMES);
        }
        rows.over_patients(&who, &of("lower limit of agreement"), "mm", s.lower_limit_over_patients.as_ref());
        rows.over_patients(&who, &of("upper limit of agreement"), "mm", s.upper_limit_over_patients.as_ref());
        if s.changed.1 > 0 {
            let share = s.changed.0 as f64 / s.changed.1 as f64;
            match &s.changed_over_patients {
                Some(b) => rows.over_patients(&who, &of("share of findings changed"), "of 1", Some(b)),
                None => rows.push(&who, &of("share of findings changed"), "of 1", Estimate::bare(share), s.changed.1 as f64, "frames"),
            }
        }
    }
}

fn all_readers(rows: &mut Rows, t: &Together, readers: usize) {
    let who = "all readers";
    if let Some(c) = &t.components {
        rows.push(who, "variance between readers", "mm²", c.reader_variance, c.reader.degrees, "degrees of freedom");
        rows.push(who, "variance between frames", "mm²", c.subject_variance, c.subject.degrees, "degrees of freedom");
        rows.within(who, "what is left:", &c.residual_sd);
        rows.push(who, "SD of one reading by any reader", "mm", Estimate::bare(c.reproducibility_sd), t.frames as f64, "frames");
    }
    if readers < 3 {
        // The rest is what the pair says already.
        return;
    }
    rows.over_patients(who, "ICC(2,1)", "", t.icc_2_1_over_patients.as_ref());
    rows.icc(who, t.icc.as_ref());
    rows.over_patients(who, "Fleiss' kappa of findings", "", t.kappa_over_patients.as_ref());
    if let Some(k) = &t.kappa {
        rows.push(who, "Fleiss' kappa of findings", "", k.kappa, k.subjects as f64, FRAMES);
    }
}
