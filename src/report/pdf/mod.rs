//! The report as a PDF: pages are laid out first, so that their number is known and no line can be cut off, then written.

mod letters;
pub mod page;
mod write;

pub use letters::{Letters, runs};
pub use page::{Flow, Op, Paper, Style};
pub use write::{Content, on_paper, write};

use super::{CLOSING, Part, Picture, Report, Weight};
use crate::error::Result;
use crate::plot::distance_line::Room;
use crate::plot::scaled;
use page::{ALARM, QUIET, TEXT};

/// Free on every side, points.
const MARGIN: f64 = 30.0;
/// Kept free under the text for the foot, points.
const FOOT: f64 = 20.0;
/// Width of the column of headings, points.
const HEADINGS: f64 = 66.0;
/// How much smaller letters may be made to keep a report on one page, largest first. The smallest, those of the sources, are still 5.4 points.
const SIZES: [f64; 9] = [1.0, 0.98, 0.96, 0.94, 0.92, 0.90, 0.88, 0.86, 0.84];

/// The report as PDF bytes.
///
/// # Errors
/// As [`write()`].
pub fn pdf(report: &Report, paper: Paper) -> Result<Vec<u8>> {
    let letters = Letters::new()?;
    let pages = pages(report, paper, &letters);
    let code = report.code();
    let content = Content {
        pages: &pages,
        paper,
        watermark: report.standing.watermark(),
        pictures: &report.pictures,
        code: &code,
        title: "Placental edge and internal os: report of an exam",
        language: "en",
        right_to_left: false,
        made_at: &report.made_at,
        id: report.digest(),
    };
    write(&content, &letters)
}

/// The pages of a report: one where smaller letters allow it, else as many as it takes in the full size.
#[must_use]
pub fn pages(report: &Report, paper: Paper, letters: &Letters) -> Vec<Vec<Op>> {
    let fits = SIZES.iter().map(|k| laid_out(report, paper, letters, *k)).find(|p| p.len() == 1);
    let mut pages = fits.unwrap_or_else(|| laid_out(report, paper, letters, 1.0));
    let of = pages.len();
    for (i, page) in pages.iter_mut().enumerate() {
        foot(report, paper, letters, page, i + 1, of);
    }
    pages
}

/// Sizes of one layout.
#[derive(Clone, Copy)]
struct Sizes(f64);

impl Sizes {
    const fn style(self, size: f64, strong: bool) -> Style {
        Style { size: size * self.0, strong, ink: TEXT }
    }
    const fn plain(self) -> Style {
        self.style(7.6, false)
    }
    const fn fine(self) -> Style {
        self.style(6.6, false)
    }
}

fn laid_out(report: &Report, paper: Paper, letters: &Letters, k: f64) -> Vec<Vec<Op>> {
    let s = Sizes(k);
    let mut flow = Flow::new(letters, paper, MARGIN, FOOT);
    head(&mut flow, report, s);
    for part in report.parts.iter().filter(|p| p.weight == Weight::Alarm) {
        alarm(&mut flow, part, s);
    }
    answer(&mut flow, report, s);
    plots(&mut flow, report);
    for part in report.parts.iter().filter(|p| p.weight != Weight::Alarm) {
        section(&mut flow, part, s);
    }
    // The longest part runs over the whole width.
    let sources = format!("Sources. {} {}", super::SOURCES_NOTE, report.numbered_sources().join(" "));
    let (left, width) = (flow.left, flow.width);
    flow.paragraph(left, width, &sources, s.style(6.4, false));
    others(&mut flow, &report.pictures, s);
    flow.pages
}

/// Said where a letter of the report is not among those embedded.
pub const LACKING: &str =
    "□ stands for a letter that this page cannot print (it holds Latin, Greek and Cyrillic): the HTML and the text form hold every letter.";

/// Whether a letter of what a report was given by others is not among those embedded.
fn lacks(report: &Report, letters: &Letters) -> bool {
    let pairs = report.identity.iter().chain(&report.facts).map(|p| &p.is);
    let lines = report.parts.iter().flat_map(|p| &p.lines).map(|l| &l.text);
    pairs.chain(lines).any(|text| letters.lacks(text))
}

/// Title, standing, code, who and when.
fn head(flow: &mut Flow<'_>, report: &Report, s: Sizes) {
    let side = 62.0;
    let (left, width, top) = (flow.left, flow.width, flow.y);
    flow.put(Op::Code { at: [left + width - side, top - 6.0, side, side] });
    let room = width - side - 8.0;
    flow.paragraph(left, room, "Placental edge and internal os: report of an exam", s.style(13.0, true));
    flow.y += 1.0;
    flow.paragraph(left, room, &report.standing.words(), s.style(8.4, true));
    flow.y += 3.0;
    let all: Vec<&super::Pair> = report.identity.iter().chain(&report.facts).collect();
    let label = Style { ink: QUIET, ..s.fine() };
    let (start, half) = (flow.y, room / 2.0);
    let mut lowest = start;
    for (column, pairs) in [0.0, half].into_iter().zip(all.chunks(all.len().div_ceil(2).max(1))) {
        flow.y = start;
        for pair in pairs {
            let line = flow.y;
            flow.paragraph(left + column, 62.0, &pair.what, label);
            let after = flow.y;
            flow.y = line;
            flow.paragraph(left + column + 64.0, half - 70.0, &pair.is, s.plain());
            flow.y = flow.y.max(after);
        }
        lowest = lowest.max(flow.y);
    }
    flow.y = lowest.max(top + side - 4.0) + 4.0;
    if lacks(report, flow.letters) {
        flow.paragraph(left, flow.width, LACKING, s.style(7.6, true));
        flow.y += 3.0;
    }
    flow.rule();
    flow.y += 3.0;
}

/// A part in a heavy frame.
fn alarm(flow: &mut Flow<'_>, part: &Part, s: Sizes) {
    let style = s.style(8.2, true);
    let inner = flow.width - 16.0;
    let height: f64 = part.lines.iter().map(|l| flow.height_of(inner, &l.marked(), style)).sum::<f64>() + style.step() + 8.0;
    let whole = flow.y + height <= flow.bottom();
    if whole {
        let at = [flow.left, flow.y, flow.width, height];
        flow.put(Op::Box { at, fill: Some(ALARM), edge: Some((TEXT, 1.2)) });
    }
    flow.y += 2.0;
    let x = flow.left + 8.0;
    flow.paragraph(x, inner, &part.title.to_uppercase(), style);
    for line in &part.lines {
        flow.paragraph(x, inner, &line.marked(), style);
    }
    flow.y += 12.0;
}

/// The deciding frame, and beside it distance and finding.
fn answer(flow: &mut Flow<'_>, report: &Report, s: Sizes) {
    let mut column = (flow.left, flow.width);
    let mut below = flow.y;
    if let Some(picture) = report.pictures.first() {
        let most = 132.0 * s.0;
        let width = (flow.width * 0.40).min(most / picture.height_at(1.0));
        let height = picture.height_at(width);
        flow.need(height + 30.0);
        let (left, top) = (flow.left, flow.y);
        frame(flow, picture, 0, [left, top, width, height]);
        flow.y = top + height + 1.0;
        flow.paragraph(left, width, &caption(picture), s.fine());
        below = flow.y;
        flow.y = top - 3.0;
        column = (left + width + 12.0, flow.width - width - 12.0);
    }
    let said = [(&report.headline, s.style(13.5, true)), (&report.detail, s.style(8.6, false)), (&report.finding, s.style(11.0, true))];
    for (text, style) in said {
        flow.paragraph(column.0, column.1, text, style);
        flow.y += 2.0;
    }
    if let Some(text) = &report.straddling {
        flow.paragraph(column.0, column.1, text, s.style(9.0, true));
        flow.y += 2.0;
    }
    flow.paragraph(column.0, column.1, &format!("Under: {}", report.table), s.plain());
    flow.paragraph(column.0, column.1, &report.digest_words(), s.fine());
    if has_line(report) && !report.has_serial() {
        let height = 72.0;
        line(flow, report, [column.0, flow.y + 2.0, column.1, height]);
        flow.y += height + 2.0;
    }
    flow.y = flow.y.max(below) + 4.0;
    if !report.has_serial() {
        flow.rule();
        flow.y += 2.0;
    }
}

fn caption(picture: &Picture) -> String {
    match &picture.raster {
        Ok(_) => picture.caption(),
        Err(why) => format!("{} No picture: {why}.", picture.caption()),
    }
}

fn frame(flow: &mut Flow<'_>, picture: &Picture, index: usize, at: [f64; 4]) {
    flow.put(Op::Frame { at, picture: index, overlay: picture.overlay(at[2], 7.0) });
}

fn has_line(report: &Report) -> bool {
    report.line.reading.is_some() || !report.line.marks.is_empty()
}

/// The distance line, laid out in the proportions of the screen, where its ticks have their room, then made smaller.
fn line(flow: &mut Flow<'_>, report: &Report, at: [f64; 4]) {
    let k = 0.56;
    let room = Room { width: at[2] / k, height: at[3] / k, letters: 6.4 / k };
    flow.put(Op::Plot { at, shapes: scaled(&report.line.shapes(room), k) });
}

/// With two visits or more: the distance line and the serial chart beside each other. With one, the line stands under the
/// finding.
fn plots(flow: &mut Flow<'_>, report: &Report) {
    if !report.has_serial() {
        return;
    }
    let height = 96.0;
    flow.need(height);
    let (left, top) = (flow.left, flow.y);
    let wide = flow.width * 0.58;
    if has_line(report) {
        line(flow, report, [left, top, wide - 6.0, height]);
    }
    let at = [left + wide + 6.0, top, flow.width - wide - 6.0, height];
    let k = 0.56;
    let room = Room { width: at[2] / k, height: at[3] / k, letters: 6.2 / k };
    flow.put(Op::Plot { at, shapes: scaled(&report.serial.shapes(room), k) });
    flow.y = top + height + 3.0;
    flow.rule();
    flow.y += 2.0;
}

fn section(flow: &mut Flow<'_>, part: &Part, s: Sizes) {
    if part.weight == Weight::Fine {
        let text: Vec<String> = part.lines.iter().map(ended).collect();
        run_on(flow, &part.title, &text.join(" "), s.fine());
        return;
    }
    let heading = s.style(7.6, true);
    let style = s.plain();
    heading_beside(flow, &part.title, heading, style);
    let (x, width) = (flow.left + HEADINGS, flow.width - HEADINGS);
    for line in &part.lines {
        // The dash hangs beside the sentence, so that a sentence over two lines is seen as one.
        flow.need(style.step());
        let (page, y) = (flow.pages.len(), flow.y);
        flow.paragraph(x + 7.0, width - 7.0, &line.marked(), style);
        let end = flow.y;
        if flow.pages.len() == page {
            flow.y = y + style.step();
            flow.line(x, 6.0, "–", style);
        }
        flow.y = end;
    }
    flow.y += 2.2;
}

/// The heading in the column of headings, level with the first line that follows.
fn heading_beside(flow: &mut Flow<'_>, title: &str, heading: Style, text: Style) {
    let height = flow.height_of(HEADINGS - 6.0, title, heading);
    flow.need(height.max(2.0 * text.step()));
    let top = flow.y;
    flow.paragraph(flow.left, HEADINGS - 6.0, title, heading);
    flow.y = top;
}

fn run_on(flow: &mut Flow<'_>, title: &str, text: &str, style: Style) {
    let heading = Style { size: style.size.max(6.4), strong: true, ink: TEXT };
    let page = flow.pages.len();
    let height = flow.height_of(HEADINGS - 6.0, title, heading);
    heading_beside(flow, title, heading, style);
    let top = flow.y;
    flow.paragraph(flow.left + HEADINGS, flow.width - HEADINGS, text, style);
    if flow.pages.len() == page {
        flow.y = flow.y.max(top + height);
    }
    flow.y += 2.2;
}

/// The sentence with its mark and a full stop, so that sentences that follow each other stay apart.
fn ended(line: &super::Line) -> String {
    if line.text.ends_with(['.', '!', ':']) { line.marked() } else { format!("{}.", line.marked()) }
}

/// The frames that do not decide, three in a row.
fn others(flow: &mut Flow<'_>, pictures: &[Picture], s: Sizes) {
    let width = (flow.width - 20.0) / 3.0;
    let rest: Vec<(usize, &Picture)> = pictures.iter().enumerate().skip(1).collect();
    for row in rest.chunks(3) {
        let said = |p: &Picture| format!("{}. {}", p.headline, caption(p));
        let height = row.iter().map(|(_, p)| p.height_at(width) + flow.height_of(width, &said(p), s.fine())).fold(0.0, f64::max);
        flow.need(height + 10.0);
        let top = flow.y + 4.0;
        for (column, (index, picture)) in row.iter().enumerate() {
            let left = flow.left + column as f64 * (width + 10.0);
            frame(flow, picture, *index, [left, top, width, picture.height_at(width)]);
            flow.y = top + picture.height_at(width) + 1.0;
            flow.paragraph(left, width, &said(picture), s.fine());
        }
        flow.y = top + height + 4.0;
    }
}

/// What stands under every page.
fn foot(report: &Report, paper: Paper, letters: &Letters, page: &mut Vec<Op>, number: usize, of: usize) {
    let (width, height) = paper.size();
    let size = 6.4;
    let mut put = |x: f64, y: f64, text: String| {
        page.push(Op::Text { x, y, size, strong: false, ink: QUIET, text: letters.printable(&text) });
    };
    let bottom = height - MARGIN;
    let standing = report.standing.watermark().unwrap_or("Signed");
    let digest = report.digest().get(..16).unwrap_or_default();
    put(MARGIN, bottom - 10.0, CLOSING.to_owned());
    put(MARGIN, bottom, format!("{standing} · record {digest} · made {} · {}", report.made_at, report.software));
    let text = format!("page {number} of {of}");
    put(width - MARGIN - letters.width(&text, size, false), bottom, text);
}
