//! Reading a table's text. Every fault is collected, so that whoever writes a table sees them all at once.

use std::borrow::Cow;

use toml::Value;

use super::effective::{Effective, days};
use super::{Band, BandKind, Edge, FollowUp, MinimumAge, Table};
use crate::context::GestationalAge;
use crate::digest::sha256_hex;
use crate::error::{Error, ErrorKind, Result};
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// No table needs more text than this, bytes.
const MAX_TEXT: usize = 256 * 1024;
/// No table needs more bands than this.
const MAX_BANDS: usize = 32;
/// No table needs more rows of follow-up than this.
const MAX_FOLLOW_UPS: usize = 32;
/// Distances beyond this are not anatomy, mm.
const MAX_MM: f64 = 200.0;

/// One table of the text, with where it is and what has been asked of it.
struct Section<'a> {
    at: String,
    table: &'a toml::Table,
    known: Vec<&'static str>,
}

/// Collects faults while a text is read.
#[derive(Default)]
struct Reader {
    faults: Vec<String>,
}

impl Reader {
    fn fault(&mut self, at: &str, text: impl AsRef<str>) {
        let text = text.as_ref();
        self.faults.push(if at.is_empty() { text.to_owned() } else { format!("{at}: {text}") });
    }

    /// The value of `key`, if it is there; remembers that the key is a known one.
    fn get<'a>(section: &mut Section<'a>, key: &'static str) -> Option<&'a Value> {
        section.known.push(key);
        section.table.get(key)
    }

    fn missing(&mut self, s: &Section<'_>, key: &str, what: &str) {
        self.fault(&s.at, format!("{key} is missing ({what})"));
    }

    fn text(&mut self, s: &mut Section<'_>, key: &'static str) -> String {
        let value = self.optional_text(s, key);
        if value.is_none() && !s.table.contains_key(key) {
            self.missing(s, key, "a text");
        }
        value.unwrap_or_default()
    }

    fn optional_text(&mut self, s: &mut Section<'_>, key: &'static str) -> Option<String> {
        match Self::get(s, key)? {
            Value::String(t) if !t.trim().is_empty() => Some(t.clone()),
            other => {
                self.fault(&s.at, format!("{key} must be a text that is not empty, found {}", show(other)));
                None
            }
        }
    }

    fn flag(&mut self, s: &mut Section<'_>, key: &'static str) -> bool {
        match Self::get(s, key) {
            Some(Value::Boolean(b)) => *b,
            Some(other) => {
                self.fault(&s.at, format!("{key} must be true or false, found {}", show(other)));
                false
            }
            None => {
                self.missing(s, key, "true or false");
                false
            }
        }
    }

    fn optional_mm(&mut self, s: &mut Section<'_>, key: &'static str) -> Option<Mm> {
        let value = Self::get(s, key)?;
        let number = match value {
            Value::Float(f) => *f,
            // Whole millimetres are far below the range in which this loses anything; the check below holds it there.
            Value::Integer(i) if i.unsigned_abs() < 1_000_000 => *i as f64,
            _ => f64::NAN,
        };
        if number.is_finite() && number.abs() <= MAX_MM {
            // −0 and 0 are one edge.
            return Some(Mm::new(number + 0.0));
        }
        self.fault(&s.at, format!("{key} must be a number of mm from -{MAX_MM} to {MAX_MM}, found {}", show(value)));
        None
    }

    fn small_count(&mut self, s: &mut Section<'_>, key: &'static str, max: u8) -> u8 {
        match Self::get(s, key) {
            Some(Value::Integer(i)) if (0..=i64::from(max)).contains(i) => u8::try_from(*i).unwrap_or(max),
            Some(other) => {
                self.fault(&s.at, format!("{key} must be a whole number from 0 to {max}, found {}", show(other)));
                0
            }
            None => {
                self.missing(s, key, &format!("a whole number from 0 to {max}"));
                0
            }
        }
    }

    /// Two gestational ages, the younger first.
    fn ages(&mut self, s: &mut Section<'_>, key: &'static str, needed: bool) -> Option<(GestationalAge, GestationalAge)> {
        const WANTED: &str = "two gestational ages, the younger first, such as [\"32w0d\", \"32w6d\"]";
        let Some(value) = Self::get(s, key) else {
            if needed {
                self.missing(s, key, WANTED);
            }
            return None;
        };
        let age = |v: Option<&Value>| v?.as_str()?.parse::<GestationalAge>().ok();
        match value.as_array().map(|a| (a.len(), age(a.first()), age(a.get(1)))) {
            Some((2, Some(from), Some(to))) if from <= to => Some((from, to)),
            _ => {
                self.fault(&s.at, format!("{key} must be {WANTED}, found {}", show(value)));
                None
            }
        }
    }

    /// The kinds of finding that a row holds for; none given means any.
    fn kinds(&mut self, s: &mut Section<'_>) -> Vec<BandKind> {
        let Some(value) = Self::get(s, "kinds") else { return Vec::new() };
        value.clone().try_into().unwrap_or_else(|_| {
            self.fault(&s.at, format!("kinds must be a list of covering, reaching, low-lying and not-low, found {}", show(value)));
            Vec::new()
        })
    }

    fn provenance(&mut self, s: &mut Section<'_>, key: &'static str) -> Provenance {
        const NAMES: &str = "published, second-hand, common-practice, from-memory or own-assumption";
        match Self::get(s, key) {
            Some(value) => Provenance::deserialize_word(value).unwrap_or_else(|| {
                self.fault(&s.at, format!("{key} must be {NAMES}, found {}", show(value)));
                Provenance::FromMemory
            }),
            None => {
                self.missing(s, key, NAMES);
                Provenance::FromMemory
            }
        }
    }

    /// The citation of one number: its own text where given, else the guideline's.
    fn citation(&mut self, s: &mut Section<'_>, provenance: &'static str, own: &'static str, guideline: &str) -> Citation {
        let text = self.optional_text(s, own).unwrap_or_else(|| guideline.to_owned());
        Citation { text: Cow::Owned(text), provenance: self.provenance(s, provenance) }
    }

    fn section<'a>(&mut self, root: &mut Section<'a>, key: &'static str) -> Option<Section<'a>> {
        match Self::get(root, key) {
            Some(Value::Table(table)) => Some(Section { at: format!("[{key}]"), table, known: Vec::new() }),
            Some(other) => {
                self.fault(&root.at, format!("{key} must be a section, found {}", show(other)));
                None
            }
            None => {
                self.missing(root, key, "a section");
                None
            }
        }
    }

    /// Reports every key that nothing asked for.
    fn finish(&mut self, s: &Section<'_>) {
        let unknown: Vec<_> = s.table.keys().filter(|k| !s.known.contains(&k.as_str())).cloned().collect();
        for key in unknown {
            self.fault(&s.at, format!("{key} is not a key of this format"));
        }
    }
}

impl Provenance {
    /// The provenance of this kebab-case word.
    fn deserialize_word(value: &Value) -> Option<Self> {
        value.clone().try_into().ok()
    }
}

/// A value as a fault shows it: short, on one line.
fn show(value: &Value) -> String {
    let text = value.to_string().replace(['\n', '\r'], " ");
    let mut short: String = text.chars().take(60).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    short
}

pub(super) fn parse(text: &str) -> Result<Table> {
    if text.len() > MAX_TEXT {
        return Err(Error::new(ErrorKind::Guideline, "the guideline table is too long")
            .expected(format!("at most {MAX_TEXT} bytes"))
            .found(format!("{} bytes", text.len())));
    }
    let root: toml::Table = text.parse().map_err(|e: toml::de::Error| {
        Error::new(ErrorKind::Guideline, "the guideline table is not TOML").found(e.to_string().trim().to_owned())
    })?;
    let mut r = Reader::default();
    let mut s = Section { at: String::new(), table: &root, known: Vec::new() };
    let id = r.text(&mut s, "id");
    if !id.is_empty() && !id.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-') {
        r.fault("", format!("id must be of a-z, 0-9 and -, found {}", show(&Value::String(id.clone()))));
    }
    let name = r.text(&mut s, "name");
    let edition = r.text(&mut s, "edition");
    let source = match r.section(&mut s, "source") {
        Some(mut c) => {
            let citation = Citation { text: Cow::Owned(r.text(&mut c, "text")), provenance: r.provenance(&mut c, "provenance") };
            r.finish(&c);
            citation
        }
        None => Citation { text: Cow::Borrowed(""), provenance: Provenance::FromMemory },
    };
    let minimum_age = r.section(&mut s, "minimum-age").map(|mut m| minimum_age(&mut r, &mut m, &source.text));
    let bands = match Reader::get(&mut s, "band") {
        Some(Value::Array(list)) if list.len() <= MAX_BANDS => bands(&mut r, list, &source.text),
        Some(other) => {
            r.fault("", format!("band must be up to {MAX_BANDS} [[band]] sections, found {}", show(other)));
            Vec::new()
        }
        None => {
            r.missing(&s, "band", "[[band]] sections");
            Vec::new()
        }
    };
    let effective = effective(&mut r, &mut s, &source.text);
    let follow_up = match Reader::get(&mut s, "follow-up") {
        None => Vec::new(),
        Some(Value::Array(list)) if list.len() <= MAX_FOLLOW_UPS => follow_ups(&mut r, list, &source.text),
        Some(other) => {
            r.fault("", format!("follow-up must be up to {MAX_FOLLOW_UPS} [[follow-up]] sections, found {}", show(other)));
            Vec::new()
        }
    };
    r.finish(&s);
    match (minimum_age, r.faults.is_empty()) {
        (Some(minimum_age), true) => {
            Ok(Table { id, name, edition, source, minimum_age, bands, effective, follow_up, digest: sha256_hex(text) })
        }
        _ => Err(Error::new(
            ErrorKind::Guideline,
            format!("the guideline table has {} fault{}", r.faults.len(), if r.faults.len() == 1 { "" } else { "s" }),
        )
        .found(format!("\n  - {}", r.faults.join("\n  - ")))),
    }
}

/// `effective-from` and `effective-to`: each optional, each with its provenance.
fn effective(r: &mut Reader, s: &mut Section<'_>, guideline: &str) -> Option<Effective> {
    let mut end = |s: &mut Section<'_>, key: &'static str, provenance: &'static str, own: &'static str, last: bool| {
        let text = r.optional_text(s, key)?;
        let source = r.citation(s, provenance, own, guideline);
        let Some((a, b)) = days(&text) else {
            r.fault(&s.at, format!("{key} must be a year, month or day such as 2018, 2018-09 or 2018-09-27, found \"{text}\""));
            return None;
        };
        Some((if last { b } else { a }, text, source))
    };
    let from = end(s, "effective-from", "effective-from-provenance", "effective-from-source", false);
    let to = end(s, "effective-to", "effective-to-provenance", "effective-to-source", true);
    if let (Some((from, ..)), Some((to, ..))) = (&from, &to)
        && from > to
    {
        r.fault(&s.at, "effective-to lies before effective-from");
    }
    if from.is_none() && to.is_none() {
        return None;
    }
    let split = |e: Option<(jiff::civil::Date, String, Citation)>| match e {
        Some((date, text, source)) => (Some((date, text)), Some(source)),
        None => (None, None),
    };
    let ((from, from_source), (to, to_source)) = (split(from), split(to));
    Some(Effective { from, to, from_source, to_source })
}

fn follow_ups(r: &mut Reader, list: &[Value], guideline: &str) -> Vec<FollowUp> {
    let mut out: Vec<FollowUp> = Vec::new();
    for (i, value) in list.iter().enumerate() {
        let at = format!("follow-up {}", i + 1);
        let Value::Table(table) = value else {
            r.fault(&at, format!("must be a section, found {}", show(value)));
            continue;
        };
        let mut s = Section { at, table, known: Vec::new() };
        let id = r.text(&mut s, "id");
        if out.iter().any(|f| f.id == id) {
            r.fault(&s.at, format!("id \"{id}\" is used by an earlier follow-up"));
        }
        let ages = r.ages(&mut s, "ages", true);
        let window = r.ages(&mut s, "window", false);
        let kinds = r.kinds(&mut s);
        let text = r.text(&mut s, "text");
        let source = r.citation(&mut s, "provenance", "source", guideline);
        r.finish(&s);
        if let Some(ages) = ages {
            out.push(FollowUp { id, ages, kinds, window, text, source });
        }
    }
    out
}

fn minimum_age(r: &mut Reader, s: &mut Section<'_>, guideline: &str) -> MinimumAge {
    let weeks = r.small_count(s, "weeks", 45);
    let days = r.small_count(s, "days", 6);
    let out = MinimumAge {
        age: GestationalAge::weeks_and_days(weeks, days),
        strictly_older: r.flag(s, "strictly-older"),
        age_source: r.citation(s, "provenance", "age-source", guideline),
        strictly_source: r.citation(s, "strictly-older-provenance", "strictly-older-source", guideline),
    };
    r.finish(s);
    out
}

fn bands(r: &mut Reader, list: &[Value], guideline: &str) -> Vec<Band> {
    let mut out: Vec<Band> = Vec::new();
    for (i, value) in list.iter().enumerate() {
        let at = format!("band {}", i + 1);
        let Value::Table(table) = value else {
            r.fault(&at, format!("must be a section, found {}", show(value)));
            continue;
        };
        let mut s = Section { at, table, known: Vec::new() };
        if let Some(band) = band(r, &mut s, guideline, i + 1 == list.len()) {
            if out.iter().any(|b| b.id == band.id) {
                r.fault(&s.at, format!("id \"{}\" is used by an earlier band", band.id));
            }
            check_order(r, &s.at, out.last(), &band);
            out.push(band);
        }
        r.finish(&s);
    }
    // A band that could not be read already has its fault; what it leaves missing is not another.
    if out.len() == list.len() {
        check_kinds(r, &out);
    }
    out
}

fn band(r: &mut Reader, s: &mut Section<'_>, guideline: &str, last: bool) -> Option<Band> {
    let id = r.text(s, "id");
    let label = r.text(s, "label");
    let rule = r.text(s, "rule");
    let rule_source = r.citation(s, "rule-provenance", "rule-source", guideline);
    let kind = match Reader::get(s, "kind") {
        Some(value) => {
            let kind = value.clone().try_into::<BandKind>().ok();
            if kind.is_none() {
                r.fault(&s.at, format!("kind must be covering, reaching, low-lying or not-low, found {}", show(value)));
            }
            kind
        }
        None => {
            r.missing(s, "kind", "covering, reaching, low-lying or not-low");
            None
        }
    };
    let upper = if last {
        if s.table.contains_key("upper-mm") {
            r.fault(&s.at, "the last band must have no upper edge, so that every distance has a band");
            s.known.extend(["upper-mm", "upper-included", "upper-mm-provenance", "upper-included-provenance"]);
        }
        None
    } else {
        let mm = r.optional_mm(s, "upper-mm");
        if mm.is_none() && !s.table.contains_key("upper-mm") {
            r.missing(s, "upper-mm", "a number of mm; only the last band has none");
        }
        let included = r.flag(s, "upper-included");
        let mm_source = r.citation(s, "upper-mm-provenance", "upper-mm-source", guideline);
        let included_source = r.citation(s, "upper-included-provenance", "upper-included-source", guideline);
        let gap_to = r.optional_mm(s, "gap-to-mm");
        let mm = mm?;
        if gap_to.is_some_and(|g| g <= mm) {
            r.fault(&s.at, "gap-to-mm must lie above upper-mm");
        }
        Some(Edge { mm, included, mm_source, included_source, gap_to })
    };
    Some(Band { id, kind: kind?, label, rule, rule_source, upper })
}

/// Bands must follow each other outwards and each must hold at least one value.
fn check_order(r: &mut Reader, at: &str, before: Option<&Band>, band: &Band) {
    let (Some(lower), Some(upper)) = (before.and_then(|b| b.upper.as_ref()), band.upper.as_ref()) else { return };
    if upper.mm < lower.mm {
        r.fault(at, format!("upper-mm {} lies below the previous band's {}", upper.mm.get(), lower.mm.get()));
    } else if upper.mm == lower.mm && (lower.included || !upper.included) {
        r.fault(at, format!("no distance lies in this band: it begins and ends at {} mm", upper.mm.get()));
    }
}

/// Kinds must agree with the sign: covering below 0, reaching at exactly 0, the rest above, not-low last.
fn check_kinds(r: &mut Reader, bands: &[Band]) {
    let kinds: Vec<BandKind> = bands.iter().map(|b| b.kind).collect();
    if !kinds.is_sorted() {
        r.fault("", "bands must come in the order covering, reaching, low-lying, not-low");
    }
    for kind in [BandKind::Covering, BandKind::Reaching, BandKind::LowLying, BandKind::NotLow] {
        if !kinds.contains(&kind) {
            r.fault("", format!("there is no {} band", kind.id()));
        }
    }
    if kinds.iter().filter(|k| **k == BandKind::Reaching).count() > 1 {
        r.fault("", "there is more than one reaching band");
    }
    if kinds.iter().filter(|k| **k == BandKind::NotLow).count() > 1 {
        r.fault("", "there is more than one not-low band");
    }
    let last = |kind| bands.iter().rfind(|b| b.kind == kind).and_then(|b| b.upper.as_ref());
    let zero = Mm::new(0.0);
    if last(BandKind::Covering).is_some_and(|e| e.mm != zero || e.included) {
        r.fault("", "the covering bands must end below 0 mm (upper-mm = 0, upper-included = false)");
    }
    if last(BandKind::Reaching).is_some_and(|e| e.mm != zero || !e.included) {
        r.fault("", "the reaching band must be exactly 0 mm (upper-mm = 0, upper-included = true)");
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    const SOGC: &str = include_str!("tables/sogc-2020.toml");

    fn faults(text: &str) -> String {
        parse(text).unwrap_err().to_string()
    }

    #[test]
    fn all_faults_are_reported_at_once() {
        let bad = SOGC
            .replace("id = \"sogc-2020\"", "id = \"SOGC 2020\"")
            .replace("edition = \"2020\"", "edition = 2020\ncolour = \"red\"")
            .replace("weeks = 18", "weeks = 99")
            .replace("upper-mm = 10.0", "upper-mm = \"ten\"")
            .replacen("rule-provenance = \"from-memory\"", "rule-provenance = \"certain\"", 1);
        let text = faults(&bad);
        for part in [
            "id must be of",
            "edition must be a text",
            "colour is not a key",
            "weeks must be",
            "upper-mm must be a number",
            "rule-provenance must be",
        ] {
            assert!(text.contains(part), "{part} is not in:\n{text}");
        }
        assert!(text.starts_with("the guideline table has 6 faults"), "{text}");
    }

    #[test]
    fn every_number_needs_a_provenance() {
        for key in ["strictly-older-provenance", "upper-mm-provenance", "upper-included-provenance", "rule-provenance"] {
            let line = SOGC.lines().find(|l| l.starts_with(key)).unwrap();
            let text = faults(&SOGC.replacen(&format!("{line}\n"), "", 1));
            assert!(text.contains(&format!("{key} is missing")), "{text}");
        }
    }

    #[test]
    fn bands_that_overlap_leave_nothing_or_contradict_the_sign_are_faults() {
        assert!(faults(&SOGC.replace("upper-mm = 20.0", "upper-mm = 5.0")).contains("lies below the previous band's 10"));
        assert!(faults(&SOGC.replace("upper-mm = 20.0", "upper-mm = 10.0")).contains("no distance lies in this band"));
        assert!(faults(&SOGC.replacen("upper-included = false", "upper-included = true", 1)).contains("must end below 0 mm"));
        assert!(faults(&SOGC.replacen("kind = \"covering\"", "kind = \"low-lying\"", 1)).contains("there is no covering band"));
    }

    #[test]
    fn effective_dates_and_own_follow_ups_are_read_and_their_faults_named() {
        let rows = "\n[[follow-up]]\nid = \"30\"\nages = [\"20w0d\", \"29w6d\"]\nkinds = [\"low-lying\"]\nwindow = [\"30w0d\", \"30w6d\"]\n\
                    text = \"scan at 30 weeks\"\nprovenance = \"published\"\n";
        let t = parse(&format!("{SOGC}{rows}")).unwrap();
        assert_eq!((t.follow_up.len(), t.follow_up[0].window.unwrap().0.to_string()), (1, "30w0d".to_owned()));
        let e = t.effective().unwrap();
        assert!(
            e.not_yet("2019-12-31".parse().unwrap()) && !e.not_yet("2020-01-01".parse().unwrap()) && e.words() == "in effect from 2020"
        );
        let text = faults(&format!(
            "{}{}",
            SOGC.replace("effective-from = \"2020\"", "effective-from = \"soon\"\neffective-to = \"2019\""),
            rows.replace("20w0d", "31w0d").replace("low-lying", "lowish").replace("text =", "txt =")
        ));
        for part in [
            "effective-from must be",
            "effective-to-provenance is missing",
            "ages must be",
            "kinds must be",
            "text is missing",
            "txt is not a key",
        ] {
            assert!(text.contains(part), "{part} is not in:\n{text}");
        }
    }

    #[test]
    fn hostile_texts_are_refused_calmly() {
        for text in ["", "[", "band = 3", "id = 1\nsource = 2\nband = [1, 2]", "[[band]]\nupper-mm = nan", "[[band]]\nupper-mm = 1e400"] {
            assert_eq!(parse(text).unwrap_err().kind(), ErrorKind::Guideline, "{text}");
        }
        assert!(faults(&"#".repeat(MAX_TEXT + 1)).contains("too long"));
    }

    #[test]
    fn the_digest_is_of_the_text() {
        assert_ne!(parse(SOGC).unwrap().digest(), parse(&format!("{SOGC}\n")).unwrap().digest());
    }
}
