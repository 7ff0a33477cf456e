//! The form file: what is known of an exam as TOML, typed by a person or another program. All its faults are said at once.

use serde::Serialize;
use toml::{Table, Value};

use super::{
    AccretaSign, Answer, Bladder, Bleeding, Contraction, CordInsertion, DatedBy, DopplerOverOs, ExamContext, Heaviness, Limits,
    PlacentalPosition, Presentation, Route, WhichPlacenta,
};
use crate::error::{Error, ErrorKind, Result};

/// No form needs more text than this, bytes.
const MAX_TEXT: usize = 64 * 1024;
/// No form needs more entries in a list than this.
const MAX_LIST: usize = 100;
/// Longest name of a place that is taken, characters.
const MAX_NAME: usize = 200;

/// Keys that hold millimetres, with their ranges.
const MILLIMETRES: [(&str, Limits); 2] = [("vessel-to-os-mm", Limits::VESSEL), ("cervical-length-mm", Limits::CERVICAL_LENGTH)];
/// Keys that hold whole numbers, with their ranges.
const COUNTS: [(&str, Limits); 4] = [
    ("previous-caesareans", Limits::CAESAREANS),
    ("fetuses", Limits::FETUSES),
    ("bleeding-episodes", Limits::EPISODES),
    ("head-station-cm", Limits::STATION),
];

/// Reads a form. Keys are the fields of [`ExamContext`] in kebab-case; millimetres may be texts with a decimal comma.
///
/// # Errors
/// [`ErrorKind::Invalid`] naming *all* faults, one a line.
pub fn from_form(text: &str) -> Result<ExamContext> {
    let fail = |found: String| Error::new(ErrorKind::Invalid, "the form cannot be read").found(found);
    if text.len() > MAX_TEXT {
        return Err(fail(format!("{} bytes", text.len())).expected(format!("at most {MAX_TEXT} bytes")));
    }
    let root: Table = text.parse().map_err(|e: toml::de::Error| fail(e.to_string().trim().to_owned()).expected("TOML"))?;
    let mut faults = Vec::new();
    let mut sound = Table::new();
    for (key, value) in root {
        match entry(&key, value) {
            Ok(value) => {
                sound.insert(key, value);
            }
            Err(why) => faults.push(format!("{key}: {why}")),
        }
    }
    let context = sound.try_into::<ExamContext>().unwrap_or_else(|e: toml::de::Error| {
        faults.push(one_line(&e.to_string()));
        ExamContext::default()
    });
    if context.exam_date.is_some()
        && context.dating.is_some()
        && let Err(e) = context.gestational_age()
    {
        faults.push(e.message());
    }
    if context.bleeding_episodes.is_some_and(|n| usize::from(n) < context.bleeds.len()) {
        faults.push("bleeding-episodes: fewer than are listed under bleeds".into());
    }
    if context.bleeding == Bleeding::None && (!context.bleeds.is_empty() || context.bleeding_episodes.is_some_and(|n| n > 0)) {
        faults.push("bleeding: none, but episodes of bleeding are stated".into());
    }
    if faults.is_empty() {
        return Ok(context);
    }
    let count = faults.len();
    Err(Error::new(ErrorKind::Invalid, format!("the form has {count} fault{}", if count == 1 { "" } else { "s" }))
        .found(format!("\n  - {}", faults.join("\n  - "))))
}

/// One key by itself: ranges, then whether the rest of the program can take it.
fn entry(key: &str, mut value: Value) -> std::result::Result<Value, String> {
    if let Some((_, limits)) = MILLIMETRES.iter().find(|(k, _)| *k == key) {
        value = millimetres(&value, limits)?;
    } else if let Some((_, limits)) = COUNTS.iter().find(|(k, _)| *k == key) {
        let Value::Integer(n) = value else { return Err(format!("expected a whole number, found {}", one_line(&value.to_string()))) };
        limits.check(n as f64).map_err(|e| e.message())?;
    } else if key == "measured-elsewhere" {
        for one in list(&mut value)? {
            let Value::Table(one) = one else { return Err("expected [[measured-elsewhere]] sections".into()) };
            let signed = one.get("signed-mm").ok_or("signed-mm is missing")?;
            let taken = millimetres(signed, &Limits::ELSEWHERE)?;
            one.insert("signed-mm".into(), taken);
            if one.get("by").and_then(Value::as_str).is_some_and(|t| t.chars().count() > MAX_NAME) {
                return Err(format!("by: expected at most {MAX_NAME} characters"));
            }
            dates(one);
        }
    } else if key == "bleeds" {
        for one in list(&mut value)? {
            let Value::Table(one) = one else { return Err("expected [[bleeds]] sections".into()) };
            dates(one);
        }
    } else if key == "dating" {
        let Value::Table(one) = &mut value else { return Err("expected { due-date = \"2031-05-02\" } or { last-period = … }".into()) };
        dates(one);
    } else if let Value::Datetime(d) = &value {
        value = Value::String(d.to_string());
    }
    let alone: Table = [(key.to_owned(), value.clone())].into_iter().collect();
    match alone.try_into::<ExamContext>() {
        Ok(_) => Ok(value),
        Err(e) => Err(one_line(&e.to_string())),
    }
}

fn millimetres(value: &Value, limits: &Limits) -> std::result::Result<Value, String> {
    let number = match value {
        Value::Float(f) => limits.check(*f),
        Value::Integer(i) => limits.check(*i as f64),
        Value::String(t) => match limits.millimetres(t) {
            Ok(Some(mm)) => Ok(mm.get()),
            Ok(None) => return Err("expected a number of mm, found an empty text".into()),
            Err(e) => Err(e),
        },
        other => return Err(format!("expected a number of mm, found {}", one_line(&other.to_string()))),
    };
    number.map(Value::Float).map_err(|e| e.message())
}

fn list(value: &mut Value) -> std::result::Result<&mut Vec<Value>, String> {
    match value {
        Value::Array(a) if a.len() <= MAX_LIST => Ok(a),
        _ => Err(format!("expected up to {MAX_LIST} sections")),
    }
}

/// TOML's own dates become the texts that the rest of the program reads.
fn dates(table: &mut Table) {
    for (_, value) in table.iter_mut() {
        if let Value::Datetime(d) = value {
            *value = Value::String(d.to_string());
        }
    }
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ").chars().take(200).collect()
}

fn words<T: Serialize>(all: &[T]) -> String {
    let each: Vec<String> = all.iter().filter_map(|v| serde_json::to_value(v).ok()?.as_str().map(str::to_owned)).collect();
    each.join(" | ")
}

/// An empty form with every key that it may have, each in a comment with what may stand there.
#[must_use]
pub fn blank_form() -> String {
    let mut out = String::from(
        "# What is known of an exam. Take away the # before a line and write the answer. What is left out is unknown, and\n\
         # unknown is never taken as no. Millimetres may be written 10.5 or \"10,5\".\n\n",
    );
    let mut put = |key: &str, example: &str, may: &str| out.push_str(&format!("# {key} = {example}    # {may}\n"));
    let answer = words(Answer::ALL);
    put("exam-date", "2031-03-14", "the day of the exam");
    put("dating", "{ due-date = \"2031-05-02\" }", "or { last-period = \"2030-07-26\" }");
    put("dated-by", "\"early-scan\"", &words(DatedBy::ALL));
    put("route", "\"transvaginal\"", &words(Route::ALL));
    put("transvaginal-declined", "\"no\"", &answer);
    put("bladder", "\"empty\"", &words(Bladder::ALL));
    put("contraction", "\"absent\"", &words(Contraction::ALL));
    put("bleeding", "\"earlier\"", &words(Bleeding::ALL));
    put("bleeding-episodes", "1", "whole number");
    put("pain-or-contractions", "\"no\"", &answer);
    put("placental-position", "\"anterior\"", &words(PlacentalPosition::ALL));
    put("previous-caesareans", "0", "whole number; the present birth is never counted");
    put("other-uterine-surgery", "\"no\"", &answer);
    put("previous-accreta", "\"no\"", &answer);
    put("accreta-assessed", "\"no\"", &format!("{answer}: the checklist was gone through"));
    put("accreta-signs", "[]", &words(&AccretaSign::ALL));
    put("doppler-over-os", "\"done-no-vessel\"", &words(DopplerOverOs::ALL));
    put("vessel-to-os-mm", "25.0", "mm, shortest");
    put("earlier-low-placenta", "\"no\"", &format!("{answer}: low or previa earlier in this pregnancy"));
    put("cervical-length-mm", "35.0", "mm");
    put("presentation", "\"cephalic\"", &words(Presentation::ALL));
    put("head-station-cm", "-3", "whole cm from the ischial spines, negative above");
    put("cord-insertion", "\"central\"", &words(CordInsertion::ALL));
    put("extra-lobe", "\"no\"", &answer);
    put("fetuses", "1", "whole number");
    put("which-placenta", "\"shared\"", &words(WhichPlacenta::ALL));
    put("assisted-conception", "\"no\"", &answer);
    put("rhd-negative", "\"no\"", &answer);
    out.push_str(&format!(
        "\n# Bleeding episodes, one section each:\n# [[bleeds]]\n# on = 2031-02-01\n# heaviness = \"light\"    # {}\n\
         \n# Distances measured elsewhere, negative for overlap; they are shown, and nothing follows from them:\n# [[measured-elsewhere]]\n\
         # signed-mm = 14.0\n# on = 2031-02-01\n# route = \"transvaginal\"\n# by = \"first hospital\"\n",
        words(Heaviness::ALL)
    ));
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;
    use crate::units::Mm;

    #[test]
    fn the_blank_form_filled_in_is_read_and_names_every_field() {
        assert_eq!(from_form(&blank_form()).unwrap(), ExamContext::default());
        let filled: String = blank_form()
            .lines()
            .filter_map(|l| l.strip_prefix("# "))
            .filter(|l| l.contains(" = ") || l.starts_with('['))
            .map(|l| format!("{l}\n"))
            .collect();
        let context = from_form(&filled).unwrap();
        assert_eq!(context.measured_elsewhere[0].signed_mm, Mm::new(14.0));
        assert_eq!(context.bleeds[0].heaviness, Heaviness::Light);
        assert_eq!(context.gestational_age().unwrap().to_string(), "33w0d");
        // Every field that a context has stands in the form.
        let full = serde_json::to_value(&ExamContext { accreta_signs: vec![AccretaSign::Lacunae], ..context }).unwrap();
        for key in full.as_object().unwrap().keys() {
            assert!(blank_form().contains(&format!("# {key} = ")) || blank_form().contains(&format!("[[{key}]]")), "{key}");
        }
    }

    #[test]
    fn commas_are_read_and_all_faults_are_said_at_once() {
        let c = from_form("cervical-length-mm = \"31,5\"\nvessel-to-os-mm = 20").unwrap();
        assert_eq!((c.cervical_length_mm, c.vessel_to_os_mm), (Some(Mm::new(31.5)), Some(Mm::new(20.0))));
        let bad = "route = \"nasal\"\ncervical-length-mm = \"1,050\"\nvessel-to-os-mm = 900\nfetuses = 0\nhead-station-cm = 9\n\
                   previous-caesareans = \"two\"\ncolour = \"red\"\nexam-date = \"2031-02-30\"\n[[measured-elsewhere]]\non = 2031-01-01";
        let text = from_form(bad).unwrap_err().to_string();
        for part in [
            "route",
            "two ways",
            "from 0 to 150 mm",
            "number of fetuses",
            "station",
            "previous-caesareans",
            "colour",
            "exam-date",
            "signed-mm is missing",
        ] {
            assert!(text.contains(part), "{part} is not in\n{text}");
        }
        assert!(text.starts_with("the form has 9 faults"), "{text}");
    }

    #[test]
    fn impossible_dates_and_hostile_texts_are_refused() {
        assert!(
            from_form("exam-date = \"2031-01-01\"\ndating = { due-date = \"2035-01-01\" }")
                .unwrap_err()
                .to_string()
                .contains("not plausible")
        );
        assert!(from_form("bleeding-episodes = 1\n[[bleeds]]\n[[bleeds]]").unwrap_err().to_string().contains("fewer than are listed"));
        for text in ["[", "bleeds = 3", "measured-elsewhere = [1]", "dating = 4", "cervical-length-mm = nan", "accreta-signs = \"all\""] {
            assert!(from_form(text).is_err(), "{text}");
        }
        assert!(from_form(&"#".repeat(MAX_TEXT + 1)).is_err());
    }
}
