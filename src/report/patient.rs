//! A page that a patient can keep: what was seen, when to come in at once, when the next scan is. Large type, plain words.
//!
//! Its sentences are data (`languages/*.toml`), one file a language; the layout follows the language's direction.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::pdf::{Content, Flow, Letters, Op, Paper, Style, write};
use super::plain::Seen;
use super::{Report, Standing, readability};
use crate::error::{Error, ErrorKind, Result};

const BUNDLED: [&str; 2] = [include_str!("languages/en.toml"), include_str!("languages/es.toml")];

/// What a clinician may choose to say under "What to avoid".
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Avoid {
    /// Sex.
    Sex,
    /// Anything in the vagina.
    Vagina,
    /// A digital examination.
    Exam,
    /// Hard sport.
    Exercise,
    /// Heavy lifting.
    Lifting,
    /// Long journeys.
    Travel,
}

impl Avoid {
    /// Everything that may be chosen, in the order in which it is said.
    pub const ALL: [Self; 6] = [Self::Sex, Self::Vagina, Self::Exam, Self::Exercise, Self::Lifting, Self::Travel];

    /// The words shown for it to the clinician.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Sex => "sex",
            Self::Vagina => "anything in the vagina",
            Self::Exam => "digital examination",
            Self::Exercise => "hard sport",
            Self::Lifting => "heavy lifting",
            Self::Travel => "long journeys",
        }
    }
}

/// The sentences of one language.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
#[allow(missing_docs)]
pub struct Language {
    pub language: String,
    pub name: String,
    pub right_to_left: bool,
    pub months: [String; 12],
    pub date: String,
    pub title: String,
    pub scan: String,
    pub discuss: String,
    pub draft: String,
    pub unsigned: String,
    pub urgent: String,
    pub seen: String,
    pub covering: String,
    pub reaching: String,
    pub low: String,
    pub not_low: String,
    pub unsure: String,
    pub limits: String,
    pub early: String,
    pub most_move: String,
    pub next: String,
    pub next_dates: String,
    pub next_unknown: String,
    pub come: String,
    pub come_bleeding: String,
    pub come_pain: String,
    pub come_waters: String,
    pub come_moves: String,
    pub avoid: String,
    pub avoid_none: String,
    pub avoid_sex: String,
    pub avoid_vagina: String,
    pub avoid_exam: String,
    pub avoid_exercise: String,
    pub avoid_lifting: String,
    pub avoid_travel: String,
    pub call: String,
    pub phone_blank: String,
    pub phone: String,
    pub source: String,
    pub grade: String,
}

impl Language {
    /// Reads a language's file.
    ///
    /// # Errors
    /// [`ErrorKind::Format`] when a sentence is missing or unknown.
    pub fn parse(text: &str) -> Result<Self> {
        toml::from_str(text).map_err(|e| {
            Error::new(ErrorKind::Format, "the language of the patient's page cannot be used")
                .expected("every sentence of src/report/languages/en.toml")
                .found(e.message().to_owned())
        })
    }

    /// A bundled language by its code.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when it is not bundled.
    pub fn bundled(code: &str) -> Result<Self> {
        let mut codes = Vec::new();
        for text in BUNDLED {
            let one = Self::parse(text)?;
            if one.language == code {
                return Ok(one);
            }
            codes.push(one.language);
        }
        Err(Error::new(ErrorKind::Usage, "the language is not known").expected(codes.join(" or ")).found(code.to_owned()))
    }

    fn day(&self, date: Date) -> String {
        let month = usize::try_from(date.month() - 1).ok().and_then(|m| self.months.get(m)).map_or("", String::as_str);
        self.date.replace("{day}", &date.day().to_string()).replace("{month}", month).replace("{year}", &date.year().to_string())
    }

    fn avoided(&self, what: Avoid) -> &str {
        match what {
            Avoid::Sex => &self.avoid_sex,
            Avoid::Vagina => &self.avoid_vagina,
            Avoid::Exam => &self.avoid_exam,
            Avoid::Exercise => &self.avoid_exercise,
            Avoid::Lifting => &self.avoid_lifting,
            Avoid::Travel => &self.avoid_travel,
        }
    }
}

/// One heading with its sentences.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Block {
    /// The heading.
    pub heading: String,
    /// The sentences.
    pub lines: Vec<String>,
    /// Whether they are points of a list.
    pub list: bool,
    /// Whether it must be seen first.
    pub strong: bool,
}

/// The page.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PatientPage {
    /// Language code.
    pub language: String,
    /// Whether it is read from right to left.
    pub right_to_left: bool,
    /// Its title.
    pub title: String,
    /// When the scan was; empty when that is not known.
    pub scan: String,
    /// "Discuss this page with your own clinician".
    pub discuss: String,
    /// That it is a draft or not signed.
    pub standing: Option<String>,
    /// The blocks.
    pub blocks: Vec<Block>,
    /// Small print: the study, the reading grade.
    pub small: Vec<String>,
}

/// What the clinician chose.
#[derive(Clone, Copy, Debug, Default)]
pub struct Choices<'a> {
    /// What to avoid.
    pub avoid: &'a [Avoid],
    /// The phone number to call.
    pub phone: Option<&'a str>,
}

/// The page of a report.
#[must_use]
pub fn patient_page(report: &Report, words: &Language, choices: Choices<'_>) -> PatientPage {
    let p = &report.plain;
    let mut blocks = Vec::new();
    let mut block = |heading: &str, lines: Vec<String>, list: bool, strong: bool| {
        blocks.push(Block { heading: heading.to_owned(), lines, list, strong });
    };
    let saw = match p.seen {
        Seen::Covering => &words.covering,
        Seen::Reaching => &words.reaching,
        Seen::Low => &words.low,
        Seen::NotLow => &words.not_low,
        Seen::Unsure => &words.unsure,
    };
    let mut seen = vec![saw.clone(), words.limits.clone()];
    if p.urgent {
        seen.insert(0, words.urgent.clone());
    }
    block(&words.seen, seen, false, p.urgent);
    if p.most_moved.is_some() {
        block(&words.early, vec![words.most_move.clone()], false, false);
    }
    let next = p.next.map_or_else(
        || words.next_unknown.clone(),
        |(from, to)| words.next_dates.replace("{from}", &words.day(from)).replace("{to}", &words.day(to)),
    );
    block(&words.next, vec![next], false, false);
    let come = [&words.come_bleeding, &words.come_pain, &words.come_waters, &words.come_moves];
    block(&words.come, come.into_iter().cloned().collect(), true, true);
    let avoid: Vec<String> = choices.avoid.iter().map(|a| words.avoided(*a).to_owned()).collect();
    let (avoid, list) = if avoid.is_empty() { (vec![words.avoid_none.clone()], false) } else { (avoid, true) };
    block(&words.avoid, avoid, list, false);
    let phone = choices.phone.map(str::trim).filter(|p| !p.is_empty());
    // Between isolates a number keeps its order also on a page that is read from the right.
    let isolated = |n: &str| if words.right_to_left { format!("\u{2066}{n}\u{2069}") } else { n.to_owned() };
    let phone = phone.map_or_else(|| words.phone_blank.clone(), |n| words.phone.replace("{phone}", &isolated(n)));
    block(&words.call, vec![phone], false, false);
    let scan = match (p.date, p.weeks) {
        (Some(date), Some(weeks)) => words.scan.replace("{date}", &words.day(date)).replace("{weeks}", &weeks.to_string()),
        _ => String::new(),
    };
    let mut page = PatientPage {
        language: words.language.clone(),
        right_to_left: words.right_to_left,
        title: words.title.clone(),
        scan,
        discuss: words.discuss.clone(),
        standing: match report.standing {
            Standing::Draft => Some(words.draft.clone()),
            Standing::Unsigned { .. } => Some(words.unsigned.clone()),
            Standing::Signed { .. } => None,
        },
        blocks,
        small: Vec::new(),
    };
    page.small.extend(p.most_moved.as_ref().map(|s| words.source.replace("{source}", s)));
    page.small.push(words.grade.replace("{grade}", &readability::stated(&page)));
    page
}

impl PatientPage {
    /// Every sentence of the page but for its small print, in reading order.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let mut out = vec![self.title.clone(), self.scan.clone(), self.discuss.clone()];
        for b in &self.blocks {
            // The points of a list end the sentence that their heading begins.
            if b.list && !b.lines.iter().all(|l| l.ends_with('.')) {
                out.extend(b.lines.iter().map(|l| format!("{} {l}", b.heading)));
            } else {
                out.push(b.heading.clone());
                out.extend(b.lines.iter().cloned());
            }
        }
        out.retain(|s| !s.is_empty() && !s.contains("___"));
        out
    }

    /// As plain text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = format!("{}\n", self.title.to_uppercase());
        for line in [Some(&self.scan), self.standing.as_ref(), Some(&self.discuss)].into_iter().flatten().filter(|l| !l.is_empty()) {
            out.push_str(line);
            out.push('\n');
        }
        for b in &self.blocks {
            out.push_str(&format!("\n{}\n", b.heading.to_uppercase()));
            let point = if b.list { "- " } else { "" };
            b.lines.iter().for_each(|l| out.push_str(&format!("{point}{l}\n")));
        }
        out.push('\n');
        self.small.iter().for_each(|l| out.push_str(&format!("{l}\n")));
        out
    }

    /// As PDF bytes, on one page.
    ///
    /// # Errors
    /// As [`write()`].
    pub fn pdf(&self, report: &Report, paper: Paper) -> Result<Vec<u8>> {
        let letters = Letters::new()?;
        let pages = self.pages(paper, &letters);
        let watermark = self.watermark(report);
        let content = Content {
            pages: &pages,
            paper,
            watermark: watermark.as_deref(),
            pictures: &[],
            code: "",
            title: &self.title,
            language: &self.language,
            right_to_left: self.right_to_left,
            made_at: &report.made_at,
            id: report.digest(),
        };
        write(&content, &letters)
    }

    /// What is written across it: only on a draft, in its language.
    #[must_use]
    pub fn watermark(&self, report: &Report) -> Option<String> {
        let words = self.standing.as_deref().filter(|_| matches!(report.standing, Standing::Draft))?;
        Some(words.split('.').next().unwrap_or(words).to_owned())
    }

    /// Its pages: one, in the largest type that fits.
    #[must_use]
    pub fn pages(&self, paper: Paper, letters: &Letters) -> Vec<Vec<Op>> {
        let sizes = [1.25, 1.15, 1.07, 1.0, 0.94, 0.88];
        sizes
            .iter()
            .map(|k| self.laid_out(paper, letters, *k))
            .find(|p| p.len() == 1)
            .unwrap_or_else(|| self.laid_out(paper, letters, 0.88))
    }

    fn laid_out(&self, paper: Paper, letters: &Letters, k: f64) -> Vec<Vec<Op>> {
        let ink = super::pdf::page::TEXT;
        let style = |size: f64, strong: bool| Style { size: size * k, strong, ink };
        let mut flow = Flow::new(letters, paper, 46.0, 0.0);
        flow.right_to_left = self.right_to_left;
        let (left, width) = (flow.left, flow.width);
        flow.paragraph(left, width, &self.title, style(21.0, true));
        for line in [Some(&self.scan), self.standing.as_ref()].into_iter().flatten().filter(|l| !l.is_empty()) {
            flow.paragraph(left, width, line, style(14.0, false));
        }
        flow.paragraph(left, width, &self.discuss, style(14.0, true));
        for b in &self.blocks {
            flow.y += 9.0 * k;
            flow.rule();
            flow.y += 3.0;
            flow.paragraph(left, width, &b.heading, style(15.5, true));
            for line in &b.lines {
                if b.list {
                    let indent = 14.0;
                    let x = if self.right_to_left { left } else { left + indent };
                    let dot = style(14.0, b.strong);
                    flow.need(dot.step());
                    let y = flow.y;
                    flow.paragraph(x, width - indent, line, dot);
                    let end = std::mem::replace(&mut flow.y, y + dot.step());
                    flow.line(left, width, "•", dot);
                    flow.y = end;
                } else {
                    flow.paragraph(left, width, line, style(14.0, b.strong));
                }
            }
        }
        flow.y += 8.0;
        if self.sentences().iter().any(|text| letters.lacks(text)) {
            flow.paragraph(left, width, super::pdf::LACKING, Style { size: 8.0, strong: true, ink });
        }
        for line in &self.small {
            flow.paragraph(left, width, line, Style { size: 8.0, strong: false, ink: super::pdf::page::QUIET });
        }
        flow.pages
    }
}
