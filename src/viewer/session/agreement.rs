//! The page of the agreement study: which readers, which part, which plot, which point is looked at. The study itself is made
//! off the drawing thread.

use std::sync::Arc;

use super::Session;
use crate::agree::study::{By, Options, PairPoint, PairStudy, Part, Place, Study};
use crate::plot::agreement::{self, Figure as Shown};
use crate::plot::bland_altman::{BlandAltman, View};
use crate::plot::forest::Forest;
use crate::report::figure::Figure;
use crate::viewer::action::{Action, Effect};

/// A study with what leads from its points to their exams.
#[derive(Debug)]
pub struct MadeStudy {
    /// The figures.
    pub study: Study,
    /// The frames by their numbers in it.
    pub places: Vec<Place>,
    /// What is wrong with files that hold no record.
    pub faults: Vec<String>,
    /// Whether it is the invented one.
    pub invented: bool,
}

/// Which plot is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Chart {
    /// Differences against means.
    #[default]
    Differences,
    /// Bias part by part.
    Bias,
    /// Findings that differ, part by part.
    Findings,
    /// Intraclass correlations.
    Correlations,
}

impl Chart {
    /// Every plot.
    pub const ALL: [Self; 4] = [Self::Differences, Self::Bias, Self::Findings, Self::Correlations];

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Differences => "differences",
            Self::Bias => "bias by parts",
            Self::Findings => "findings by parts",
            Self::Correlations => "correlations",
        }
    }
}

/// What the page writes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The plot, SVG.
    Svg,
    /// The plot, PNG.
    Png,
    /// The figures, CSV.
    Csv,
    /// The figures and points, JSON.
    Json,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 4] = [Self::Svg, Self::Png, Self::Csv, Self::Json];

    /// How its files end.
    #[must_use]
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Svg => "svg",
            Self::Png => "png",
            Self::Csv => "csv",
            Self::Json => "json",
        }
    }

    /// What it is, in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Svg => "plot as SVG",
            Self::Png => "plot as PNG",
            Self::Csv => "figures as CSV",
            Self::Json => "figures as JSON",
        }
    }
}

/// What can happen on the page.
#[derive(Clone, Debug)]
pub enum AgreementAction {
    /// A study was made, in answer to the question of that number; an error in words otherwise.
    Loaded(u64, Result<Arc<MadeStudy>, String>),
    /// Look at the invented study, or at one's own records.
    Invented(bool),
    /// Count readings that were not blind too.
    NotBlinded(bool),
    /// Look at the readings made with edge assist.
    Assisted(bool),
    /// Look at the pair at this place.
    Pair(usize),
    /// Look at one part, or at all.
    Only(Option<Part>),
    /// Tell points apart in this way.
    Marks(Option<By>),
    /// Show this plot.
    Show(Chart),
    /// Look at a part of the plane.
    Look(View),
    /// So many times nearer, about the middle.
    Zoom(f64),
    /// So many tenths of the plane further, means and differences.
    Move(f64, f64),
    /// The whole plane.
    Whole,
    /// Choose a point, by its place in the plot.
    Choose(Option<usize>),
    /// Choose the point so many further by means.
    Step(i64),
    /// Go to the exam of the chosen point.
    OpenExam,
    /// Write the plot or the figures.
    Write(Kind),
    /// It was written, in words; an error in words otherwise.
    Written(Result<String, String>),
}

/// What a session asks of the world for the page.
#[derive(Clone, Debug)]
pub enum AgreementEffect {
    /// Make the study: the question's number, whether the invented one, what is asked for.
    Make(u64, bool, Options),
    /// Write a plot.
    WritePlot(Box<Figure>, Kind),
    /// Write a study's figures.
    WriteFigures(Arc<MadeStudy>, Kind),
}

/// The page's own state.
#[derive(Clone, Debug, Default)]
pub struct Agreement {
    made: Option<Arc<MadeStudy>>,
    why_not: Option<String>,
    /// Number of the last question: answers to earlier ones may come late.
    asked: u64,
    waiting: bool,
    invented: bool,
    not_blinded: bool,
    assisted: bool,
    pair: usize,
    only: Option<Part>,
    marks: Option<By>,
    chart: Chart,
    view: Option<View>,
    chosen: Option<usize>,
    said: Option<String>,
    /// The plot as chosen, made once for many pictures.
    drawn: Option<Arc<BlandAltman>>,
}

impl Agreement {
    /// The study.
    #[must_use]
    pub fn made(&self) -> Option<&MadeStudy> {
        self.made.as_deref()
    }

    /// Why there is none.
    #[must_use]
    pub fn why_not(&self) -> Option<&str> {
        self.why_not.as_deref()
    }

    /// Whether one is being made.
    #[must_use]
    pub const fn waiting(&self) -> bool {
        self.waiting
    }

    /// Whether the invented study is asked for.
    #[must_use]
    pub const fn invented(&self) -> bool {
        self.invented
    }

    /// Whether readings that were not blind count.
    #[must_use]
    pub const fn not_blinded(&self) -> bool {
        self.not_blinded
    }

    /// Whether readings made with edge assist are looked at.
    #[must_use]
    pub const fn assisted(&self) -> bool {
        self.assisted
    }

    /// The pair that is looked at.
    #[must_use]
    pub fn pair(&self) -> Option<&PairStudy> {
        self.made.as_ref()?.study.pairs.get(self.pair)
    }

    /// Its place.
    #[must_use]
    pub const fn pair_place(&self) -> usize {
        self.pair
    }

    /// The part that is looked at.
    #[must_use]
    pub const fn only(&self) -> Option<&Part> {
        self.only.as_ref()
    }

    /// How points are told apart.
    #[must_use]
    pub const fn marks(&self) -> Option<By> {
        self.marks
    }

    /// Which plot is shown.
    #[must_use]
    pub const fn chart(&self) -> Chart {
        self.chart
    }

    /// What was written last.
    #[must_use]
    pub fn said(&self) -> Option<&str> {
        self.said.as_deref()
    }

    /// The plot of differences as it is looked at; `None` where there is none.
    #[must_use]
    pub fn plot(&self) -> Option<&BlandAltman> {
        self.drawn.as_deref()
    }

    /// A plot of parts or correlations, where one of these is shown.
    #[must_use]
    pub fn forest(&self) -> Option<Forest> {
        let mut forest = match self.chart {
            Chart::Differences => return None,
            Chart::Bias => agreement::parts(self.pair()?, Shown::Bias),
            Chart::Findings => agreement::parts(self.pair()?, Shown::Changed),
            Chart::Correlations => agreement::correlations(&self.made()?.study),
        };
        self.note(&mut forest.notes);
        Some(forest).filter(|f| !f.groups.is_empty())
    }

    /// The pair of readings behind a point of the plot, and where it is from.
    #[must_use]
    pub fn point(&self, place: usize) -> Option<(&PairPoint, &Place)> {
        let pair = self.pair()?;
        let point = agreement::members(pair, self.only.as_ref()).get(place).and_then(|i| pair.points.get(*i))?;
        Some((point, self.made.as_ref()?.places.get(point.frame)?))
    }

    /// The chosen point.
    #[must_use]
    pub const fn chosen(&self) -> Option<usize> {
        self.chosen
    }

    fn note(&self, notes: &mut Vec<String>) {
        agreement::note(notes, self.made().is_some_and(|m| m.invented), self.not_blinded);
    }

    /// Makes the plot anew after a choice that it follows from.
    fn draw(&mut self) {
        let made = self.pair().and_then(|p| agreement::differences(p, self.only.as_ref(), self.marks));
        self.drawn = made.map(|mut plot| {
            self.note(&mut plot.notes);
            plot.view = self.view;
            plot.chosen = self.chosen;
            Arc::new(plot)
        });
    }

    fn start_anew(&mut self) {
        (self.pair, self.only, self.view, self.chosen) = (0, None, None, None);
    }
}

impl Session {
    /// The page of the agreement study.
    #[must_use]
    pub const fn agreement(&self) -> &Agreement {
        &self.agreement
    }

    /// Asks for the study anew.
    pub(super) fn make_study(&mut self) -> Vec<Effect> {
        let a = &mut self.agreement;
        a.asked += 1;
        a.waiting = true;
        let options = Options { include_not_blinded: a.not_blinded, assisted: a.assisted, ..Options::default() };
        vec![Effect::Agreement(AgreementEffect::Make(a.asked, a.invented, options))]
    }

    pub(super) fn act_on_agreement(&mut self, action: AgreementAction) -> Vec<Effect> {
        use AgreementAction as Do;
        let a = &mut self.agreement;
        match action {
            Do::Loaded(number, _) if number != a.asked => return Vec::new(),
            Do::Loaded(_, result) => {
                a.waiting = false;
                match result {
                    Ok(made) => {
                        // What was chosen stays where it still is.
                        let same = a.made.as_ref().is_some_and(|m| m.study == made.study);
                        if !same {
                            a.start_anew();
                        }
                        (a.made, a.why_not) = (Some(made), None);
                    }
                    Err(why) => {
                        (a.made, a.why_not) = (None, Some(why));
                        a.start_anew();
                    }
                }
            }
            Do::Invented(yes) => {
                a.invented = yes;
                // Never the one kind of study under the name of the other.
                (a.made, a.drawn, a.why_not) = (None, None, None);
                a.start_anew();
                return self.make_study();
            }
            Do::NotBlinded(yes) => {
                a.not_blinded = yes;
                return self.make_study();
            }
            Do::Assisted(yes) => {
                a.assisted = yes;
                return self.make_study();
            }
            Do::Pair(place) => {
                a.start_anew();
                a.pair = place;
            }
            Do::Only(part) => (a.only, a.view, a.chosen) = (part, None, None),
            Do::Marks(by) => a.marks = by,
            Do::Show(chart) => a.chart = chart,
            Do::Look(view) => a.view = Some(view),
            Do::Zoom(times) => a.view = a.drawn.as_ref().map(|p| p.shown()).map(|v| v.zoomed(times, v.middle())),
            Do::Move(means, differences) => {
                a.view = a.drawn.as_ref().map(|p| p.shown()).map(|v| {
                    let tenth = |(low, high): (f64, f64)| (high - low) / 10.0;
                    v.moved(means * tenth(v.means), differences * tenth(v.differences))
                });
            }
            Do::Whole => a.view = None,
            Do::Choose(place) => a.chosen = place,
            Do::Step(by) => {
                a.chosen = a.drawn.as_ref().and_then(|p| p.stepped(by));
                // A point that is stepped to comes into view.
                let hidden = a.drawn.as_ref().zip(a.chosen).is_some_and(|(p, i)| !p.shows(i));
                if hidden {
                    a.view = None;
                }
            }
            Do::OpenExam => return self.open_exam_of_point(),
            Do::Write(kind) => return self.write_study(kind),
            Do::Written(result) => match result {
                Ok(words) => a.said = Some(words),
                Err(why) => self.tell(why),
            },
        }
        self.agreement.draw();
        Vec::new()
    }

    fn open_exam_of_point(&mut self) -> Vec<Effect> {
        let a = &self.agreement;
        let Some((_, place)) = a.chosen.and_then(|i| a.point(i)) else {
            self.tell("Choose a point of the plot first: click it, or use the arrow keys.");
            return Vec::new();
        };
        if a.made().is_some_and(|m| m.invented) {
            self.tell("That frame is invented: there is no exam to go to.");
            return Vec::new();
        }
        let (study, frame) = (place.study_instance_uid.clone(), place.frame.clone());
        let effects = self.go_to_study(study.as_deref());
        match self.key_of(study.as_deref(), frame.sop_instance_uid.as_deref(), frame.frame_number) {
            Some(key) if self.page == crate::viewer::page::Page::Reading => self.go_to(key),
            _ => effects,
        }
    }

    fn write_study(&mut self, kind: Kind) -> Vec<Effect> {
        let a = &mut self.agreement;
        a.said = None;
        let effect = match (kind, &a.made) {
            (_, None) => None,
            (Kind::Csv | Kind::Json, Some(made)) => Some(AgreementEffect::WriteFigures(Arc::clone(made), kind)),
            (Kind::Svg | Kind::Png, Some(_)) => {
                let figure = a.forest().map(|f| Figure::of_parts(&f)).or_else(|| a.plot().map(Figure::of_differences));
                figure.map(|figure| AgreementEffect::WritePlot(Box::new(figure), kind))
            }
        };
        match effect {
            Some(effect) => vec![Effect::Agreement(effect)],
            None => {
                self.tell("There is nothing to write yet.");
                Vec::new()
            }
        }
    }
}

impl From<AgreementAction> for Action {
    fn from(action: AgreementAction) -> Self {
        Self::Agreement(action)
    }
}
