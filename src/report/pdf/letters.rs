//! How wide text is in the letters that are embedded, and where its lines end.

use std::cell::RefCell;
use std::collections::HashMap;

use rustybuzz::{Face, UnicodeBuffer};

use crate::error::{Error, ErrorKind, Result};
use crate::plot::fonts;

/// What stands for a letter that the embedded ones lack.
const LACKING: char = '□';

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
        text.chars().map(|c| if c.is_control() { ' ' } else { c }).map(|c| if self.has(c) { c } else { LACKING }).collect()
    }

    /// Whether the letter is embedded.
    #[must_use]
    pub fn has(&self, c: char) -> bool {
        self.regular.glyph_index(c).is_some() && self.strong.glyph_index(c).is_some()
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

    #[test]
    fn latin_greek_and_cyrillic_are_embedded_and_what_is_not_becomes_a_square() {
        let l = Letters::new().unwrap();
        for c in ('!'..='~').chain('¡'..='ſ').chain('Α'..='Ρ').chain('Σ'..='ώ').chain('Ѐ'..='џ').chain("–—“”„…°±²µΩ≤≥−○△□".chars())
        {
            assert!(l.has(c) || c == '\u{ad}', "{c} {:x}", u32::from(c));
        }
        assert_eq!(l.printable("Müller 山田"), "Müller □□");
    }
}
