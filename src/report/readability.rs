//! How hard a patient's page is to read, measured on its own sentences.
//!
//! English: the grade of Flesch and Kincaid (Kincaid 1975): 0.39 words a sentence + 11.8 syllables a word − 15.59. Spanish: the
//! index of Fernández Huerta (1959): 206.84 − 60 syllables a word − 1.02 words a sentence. Syllables are counted by groups of vowels, which
//! is off by one in some words; no other program's grade has been compared.

use super::PatientPage;

/// What is counted.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counts {
    /// Sentences.
    pub sentences: usize,
    /// Words.
    pub words: usize,
    /// Syllables.
    pub syllables: usize,
}

/// Counts sentences; a text without a full stop is one.
#[must_use]
pub fn counts(texts: &[String], spanish: bool) -> Counts {
    let mut all = Counts::default();
    for text in texts {
        for sentence in text.split(['.', '!', '?', '¿']) {
            let words: Vec<&str> = sentence.split(|c: char| !c.is_alphanumeric() && c != '\'').filter(|w| !w.is_empty()).collect();
            if !words.is_empty() {
                all.sentences += 1;
                all.words += words.len();
                all.syllables += words.iter().map(|w| syllables(w, spanish)).sum::<usize>();
            }
        }
    }
    all
}

/// Syllables of one word; a number counts as one for each digit.
fn syllables(word: &str, spanish: bool) -> usize {
    let lower = word.to_lowercase();
    if lower.chars().all(|c| c.is_ascii_digit()) {
        return lower.len();
    }
    let (strong, weak) = if spanish { ("aeoáéíóú", "iuü") } else { ("aeiouy", "") };
    let (mut count, mut before) = (0_usize, None::<char>);
    for c in lower.chars() {
        let vowel = strong.contains(c) || weak.contains(c);
        let begins = match before {
            _ if !vowel => false,
            None => true,
            // In Spanish two strong vowels are two syllables, a weak one joins its neighbour.
            Some(b) => spanish && strong.contains(b) && strong.contains(c),
        };
        count += usize::from(begins);
        before = vowel.then_some(c);
    }
    let silent = !spanish && count > 1 && lower.ends_with('e') && !lower.ends_with("le");
    (count - usize::from(silent)).max(1)
}

fn ratios(c: Counts) -> (f64, f64) {
    let (s, w) = (c.sentences.max(1) as f64, c.words.max(1) as f64);
    (w / s, c.syllables as f64 / w)
}

/// The grade of Flesch and Kincaid, for English.
#[must_use]
pub fn flesch_kincaid(c: Counts) -> f64 {
    let (length, syllables) = ratios(c);
    0.39 * length + 11.8 * syllables - 15.59
}

/// The index of Fernández Huerta, for Spanish: higher is easier.
#[must_use]
pub fn fernandez_huerta(c: Counts) -> f64 {
    let (length, syllables) = ratios(c);
    206.84 - 60.0 * syllables - 1.02 * length
}

/// What the page says of itself.
#[must_use]
pub fn stated(page: &PatientPage) -> String {
    match page.language.as_str() {
        "en" => format!("{:.1}", flesch_kincaid(counts(&page.sentences(), false)).max(0.0)),
        "es" => format!("{:.0}", fernandez_huerta(counts(&page.sentences(), true))),
        _ => "?".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::float_cmp)]
    use super::*;

    /// Source: counted by hand.
    #[test]
    fn words_and_syllables_are_counted() {
        let c = counts(&["The placenta covers the way out.".into(), "Come in at once".into()], false);
        assert_eq!((c.sentences, c.words, c.syllables), (2, 10, 1 + 3 + 2 + 1 + 1 + 1 + 4));
        // 0.39 × 5 + 11.8 × 1.3 − 15.59 = 1.70
        assert!((flesch_kincaid(c) - 1.70).abs() < 1e-9, "{}", flesch_kincaid(c));
        let c = counts(&["La placenta baja se mueve. ecografía".into()], true);
        assert_eq!((c.sentences, c.words, c.syllables), (2, 6, 1 + 3 + 2 + 1 + 2 + 5));
    }
}
