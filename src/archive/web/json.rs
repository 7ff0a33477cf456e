//! The DICOM JSON model (PS3.18 annex F), as far as answers need it.

use serde_json::Value;

use crate::error::{Error, ErrorKind, Result};

/// A data set.
pub(super) struct DataSet<'a>(&'a Value);

/// Reads an answer: one data set, or a list of them.
pub(super) fn parse(bytes: &[u8]) -> Result<Value> {
    serde_json::from_slice(bytes)
        .map_err(|_| Error::new(ErrorKind::Format, "the archive's answer cannot be read").expected("DICOM JSON").found("something else"))
}

/// The data sets of an answer.
pub(super) fn data_sets(answer: &Value) -> Vec<DataSet<'_>> {
    match answer {
        Value::Array(all) => all.iter().map(DataSet).collect(),
        one => vec![DataSet(one)],
    }
}

impl<'a> DataSet<'a> {
    fn values(&self, tag: &str) -> &'a [Value] {
        self.0.get(tag).and_then(|e| e.get("Value")).and_then(Value::as_array).map_or(&[], Vec::as_slice)
    }

    /// The texts of an element; of a name, its alphabetic form. At most 64 of 1024 characters.
    pub(super) fn texts(&self, tag: &str) -> Vec<String> {
        let text = |v: &Value| match v {
            Value::String(s) => Some(s.clone()),
            Value::Number(n) => Some(n.to_string()),
            name => name.get("Alphabetic").and_then(Value::as_str).map(str::to_owned),
        };
        let clean = |s: String| s.trim().chars().filter(|c| !c.is_control()).take(1024).collect::<String>();
        self.values(tag).iter().take(64).filter_map(text).map(clean).filter(|s| !s.is_empty()).collect()
    }

    /// The first of them.
    pub(super) fn text(&self, tag: &str) -> Option<String> {
        self.texts(tag).into_iter().next()
    }

    /// A whole number, which some archives write as text.
    pub(super) fn whole(&self, tag: &str) -> Option<u32> {
        self.text(tag)?.parse().ok()
    }

    /// The items of a sequence.
    pub(super) fn items(&self, tag: &str) -> Vec<DataSet<'a>> {
        self.values(tag).iter().map(DataSet).collect()
    }
}
