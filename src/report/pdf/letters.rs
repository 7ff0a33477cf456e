//! How wide text is in the letters that are embedded, where its lines end, and in which order its letters stand on paper.
//!
//! Latin, Greek and Cyrillic are embedded whole, and of Hebrew and Arabic what plain text needs. A letter that is not becomes a
//! square, and [`Letters::lacks`] tells, so that the page can say so.

use std::cell::RefCell;
use std::collections::HashMap;

use rustybuzz::{Face, UnicodeBuffer};
use unicode_bidi::{BidiInfo, Level};

use crate::error::{Error, ErrorKind, Result};
use crate::plot::fonts;

/// What stands for a letter that the embedded ones lack.
const LACKING: char = '□';

/// Marks that say how text of two directions is to be set; they are heeded and never printed. Those that override the direction of
/// letters are none of them: they could make a line read as what it does not say.
const fn is_mark(c: char) -> bool {
    matches!(c, '\u{200e}' | '\u{200f}' | '\u{2066}'..='\u{2069}')
}

/// Below this no letter is written from the right.
const FIRST_FROM_THE_RIGHT: char = '\u{590}';

/// The parts of a line as they stand on paper from left to right, each with its direction; `true` is from right to left. `base` is
/// the direction of the page.
#[must_use]
pub fn runs(text: &str, base: bool) -> Vec<(String, bool)> {
    if !base && text.chars().all(|c| c < FIRST_FROM_THE_RIGHT) {
        return vec![(text.to_owned(), false)];
    }
    let info = BidiInfo::new(text, Some(if base { Level::rtl() } else { Level::ltr() }));
    let mut out = Vec::new();
    for paragraph in &info.paragraphs {
        let (levels, parts) = info.visual_runs(paragraph, paragraph.range.clone());
        for part in parts {
            let from_the_right = levels.get(part.start).is_some_and(Level::is_rtl);
            let shown: String = text.get(part).unwrap_or_default().chars().filter(|c| !is_mark(*c)).collect();
            if !shown.is_empty() {
                out.push((shown, from_the_right));
            }
        }
    }
    out
}

/// The embedded letters, for measuring.
pub struct Letters {
    regular: Face<'static>,
    strong: Face<'static>,
    /// Widths at size 1 of words met so far.
    words: RefCell<HashMap<(bool, String), f64>>,
}

impl Letters {
    /// The letters of [`fonts`].
    ///
    /// # Errors
    /// [`ErrorKind::Format`] when they cannot be read, which a test rules out.
    pub fn new() -> Result<Self> {
        let face = |data: &'static [u8]| {
            Face::from_slice(data, 0).ok_or_else(|| Error::new(ErrorKind::Format, "the embedded letters cannot be read"))
        };
        Ok(Self { regular: face(fonts::REGULAR)?, strong: face(fonts::STRONG)?, words: RefCell::default() })
    }

    const fn face(&self, strong: bool) -> &Face<'static> {
        if strong { &self.strong } else { &self.regular }
    }

    /// The text with a square for each letter that is not embedded.
    #[must_use]
    pub fn printable(&self, text: &str) -> String {
        // Both faces hold the same letters; a test compares them.
        let shown = |c: char| if is_mark(c) || self.has(c) { c } else { LACKING };
        text.chars().map(|c| if c.is_control() { ' ' } else { c }).map(shown).collect()
    }

    /// Whether a letter of the text is not embedded.
    #[must_use]
    pub fn lacks(&self, text: &str) -> bool {
        text.chars().any(|c| !c.is_control() && !is_mark(c) && !self.has(c))
    }

    /// Whether the letter is embedded and may be printed.
    #[must_use]
    pub fn has(&self, c: char) -> bool {
        !matches!(c, '\u{202a}'..='\u{202e}') && self.regular.glyph_index(c).is_some() && self.strong.glyph_index(c).is_some()
    }

    /// Width of one line of text, points.
    #[must_use]
    pub fn width(&self, text: &str, size: f64, strong: bool) -> f64 {
        let mut parts = text.split(' ');
        let first = parts.next().map_or(0.0, |w| self.word(w, strong));
        let space = self.word(" ", strong);
        parts.fold(first, |sum, w| sum + space + self.word(w, strong)) * size
    }

    fn word(&self, word: &str, strong: bool) -> f64 {
        if word.contains(is_mark) {
            return self.word(&word.replace(is_mark, ""), strong);
        }
        let key = (strong, word.to_owned());
        if let Some(known) = self.words.borrow().get(&key) {
            return *known;
        }
        let face = self.face(strong);
        let mut buffer = UnicodeBuffer::new();
        buffer.push_str(word);
        let shaped = rustybuzz::shape(face, &[], buffer);
        let units: i32 = shaped.glyph_positions().iter().map(|p| p.x_advance).sum();
        let width = f64::from(units) / f64::from(face.units_per_em().max(1));
        self.words.borrow_mut().insert(key, width);
        width
    }

    /// The lines of a text that is no wider than `width`. A word that is wider by itself is broken where it must be.
    #[must_use]
    pub fn lines(&self, text: &str, size: f64, strong: bool, width: f64) -> Vec<String> {
        let mut out: Vec<String> = Vec::new();
        let mut line = String::new();
        for word in self.printable(text).split_whitespace().flat_map(|w| self.pieces(w, size, strong, width)) {
            let longer = if line.is_empty() { word.clone() } else { format!("{line} {word}") };
            if line.is_empty() || self.width(&longer, size, strong) <= width {
                line = longer;
            } else {
                out.push(std::mem::replace(&mut line, word));
            }
        }
        if !line.is_empty() {
            out.push(line);
        }
        out
    }

    fn pieces(&self, word: &str, size: f64, strong: bool, width: f64) -> Vec<String> {
        if self.width(word, size, strong) <= width {
            return vec![word.to_owned()];
        }
        let mut out: Vec<String> = Vec::new();
        let mut piece = String::new();
        for c in word.chars() {
            piece.push(c);
            if self.width(&piece, size, strong) > width && piece.chars().count() > 1 {
                piece.pop();
                out.push(std::mem::replace(&mut piece, c.to_string()));
            }
        }
        out.push(piece);
        out
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn lines_are_never_wider_than_their_room_and_no_word_is_lost() {
        let l = Letters::new().unwrap();
        let text = "Edge 14 mm from the internal os, not covering 0123456789abcdef0123456789abcdef0123456789abcdef end";
        for width in [12.0, 40.0, 77.7, 300.0] {
            let lines = l.lines(text, 8.0, true, width);
            assert!(lines.iter().all(|x| l.width(x, 8.0, true) <= width + 1e-9), "{width}: {lines:?}");
            assert_eq!(lines.concat().replace(' ', ""), text.replace(' ', ""));
        }
    }

    /// Source: hmtx table of DejaVuSansCondensed.ttf as fontTools 4.61 prints it: "0" is 1172 of 2048 units wide.
    #[test]
    fn widths_are_those_of_the_font() {
        let l = Letters::new().unwrap();
        assert!((l.width("0", 2048.0, false) - 1172.0).abs() < 1e-6, "{}", l.width("0", 2048.0, false));
    }

    /// Source: the blocks of the Unicode standard, less the letters for dialects of the Caucasus and Siberia at U+0526 and after, for
    /// medieval Welsh at U+1EFC and after, and code points that are no letter yet.
    #[test]
    fn latin_greek_and_cyrillic_are_embedded_whole_and_what_is_not_becomes_a_square() {
        let l = Letters::new().unwrap();
        let blocks = [
            ('!'..='~'),
            ('\u{a0}'..='\u{24f}'),
            ('\u{370}'..='\u{377}'),
            ('\u{37a}'..='\u{37f}'),
            ('\u{384}'..='\u{38a}'),
            ('\u{38e}'..='\u{3a1}'),
            ('\u{3a3}'..='\u{3ff}'),
            ('\u{400}'..='\u{525}'),
            ('\u{1e00}'..='\u{1efb}'),
            ('\u{1f00}'..='\u{1f15}'),
        ];
        for c in blocks.into_iter().flatten().chain("–—“”„…°±²µΩ≤≥−○△□•·€".chars()) {
            assert!(l.has(c), "{c} {:x}", u32::from(c));
        }
        assert_eq!(l.printable("Müller 山田"), "Müller □□");
        assert!(l.lacks("Müller 山") && !l.lacks("Müller\n\u{2066}x\u{2069}"));
        // An override is no mark: it is shown for what it is.
        assert_eq!(l.printable("a\u{202e}b"), "a□b");
    }

    /// Source: Unicode Standard Annex #9; Hebrew and Arabic are read from the right, numbers within them from the left.
    #[test]
    fn what_is_read_from_the_right_is_set_from_the_right() {
        assert_eq!(runs("Edge 14 mm", false), [("Edge 14 mm".to_owned(), false)]);
        let mixed = runs("Name \u{5db}\u{5d4}\u{5df} 14", false);
        assert_eq!(
            mixed.iter().map(|(t, r)| (t.as_str(), *r)).collect::<Vec<_>>(),
            [("Name ", false), ("14", false), ("\u{5db}\u{5d4}\u{5df} ", true)]
        );
        // A number with a sign keeps its order between isolates, also on a page read from the right; the marks are not printed.
        let phone = runs("\u{5d8}: \u{2066}+00 555\u{2069}", true);
        assert!(phone.contains(&("+00 555".to_owned(), false)), "{phone:?}");
        assert_eq!(phone.last().map(|(t, r)| (t.starts_with('\u{5d8}'), *r)), Some((true, true)));
        let l = Letters::new().unwrap();
        assert_eq!(l.width("\u{2066}+00\u{2069}", 10.0, false), l.width("+00", 10.0, false));
        for c in "\u{5d0}\u{5ea}\u{627}\u{64a}".chars() {
            assert!(l.has(c));
        }
    }
}
