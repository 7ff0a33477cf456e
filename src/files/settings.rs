//! What the program remembers between runs. Versioned; migrated forward, never silently dropped.

use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};

const SCHEMA: &str = "osspan-settings/1";
const NAME: &str = "settings.json";
const LONGEST: u64 = 64 * 1024;
/// What a reader can be.
const ROLES: [&str; 3] = ["sonographer", "reviewer", "trainee"];

/// A reader's settings. Nothing clinical has a default: an unset guideline is asked for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    schema: String,
    /// The reader's name as it stands in records.
    pub reader: Option<String>,
    /// Id of the chosen guideline table.
    pub guideline: Option<String>,
    /// What the reader is in the department, as a record's step names it: "sonographer", "reviewer" or "trainee".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<String>,
    /// Light colours instead of dark ones.
    #[serde(default)]
    pub light: bool,
    /// Size of letters, per cent of the usual.
    #[serde(default = "usual_letters", skip_serializing_if = "is_usual")]
    pub letters_percent: u16,
}

const USUAL_LETTERS: u16 = 100;

const fn usual_letters() -> u16 {
    USUAL_LETTERS
}

// By reference, as serde asks.
#[allow(clippy::trivially_copy_pass_by_ref)]
const fn is_usual(percent: &u16) -> bool {
    *percent == USUAL_LETTERS
}

impl Default for Settings {
    fn default() -> Self {
        Self { schema: SCHEMA.into(), reader: None, guideline: None, role: None, light: false, letters_percent: USUAL_LETTERS }
    }
}

impl Settings {
    /// Reads the settings of a data folder; an absent file gives unset ones.
    ///
    /// # Errors
    /// [`ErrorKind::Io`], [`ErrorKind::Format`] when damaged, [`ErrorKind::Unsupported`] when of a later version.
    pub fn load(data_dir: &Path) -> Result<Self> {
        let path = data_dir.join(NAME);
        let Some(text) = super::read_text_if_there(&path, LONGEST)? else { return Ok(Self::default()) };
        let damaged = |e: serde_json::Error| {
            Error::new(ErrorKind::Format, "the settings cannot be read")
                .found(e.to_string())
                .remedy("Correct the file or move it away; the settings are then asked for again")
                .at(&path)
        };
        let value: serde_json::Value = serde_json::from_str(&text).map_err(damaged)?;
        match value.get("schema").and_then(|s| s.as_str()) {
            Some(SCHEMA) => {
                let read: Self = serde_json::from_value(value).map_err(damaged)?;
                // Another word would pass for the first of them, to whom nothing is kept out of sight.
                match read.role.as_deref() {
                    Some(role) if !ROLES.contains(&role) => Err(Error::new(ErrorKind::Format, "the settings cannot be read")
                        .expected(format!("the role {}", ROLES.join(" or ")))
                        .found(format!("\"{role}\""))
                        .remedy("osspan profile --role ROLE, after correcting the file or moving it away")
                        .at(&path)),
                    _ => Ok(read),
                }
            }
            other => Err(Error::new(ErrorKind::Unsupported, "the settings are of another version")
                .expected(SCHEMA)
                .found(other.unwrap_or("none"))
                .at(&path)),
        }
    }

    /// Saves them.
    ///
    /// # Errors
    /// [`ErrorKind::Io`].
    pub fn save(&self, data_dir: &Path) -> Result<()> {
        let text = serde_json::to_string_pretty(self).map_err(|e| Error::new(ErrorKind::Format, e.to_string()))?;
        super::replace(data_dir, NAME, text.as_bytes())?;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn settings_survive_and_a_later_version_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(Settings::load(dir.path()).unwrap(), Settings::default());
        let s = Settings { reader: Some("R. Ito".into()), letters_percent: 150, ..Settings::default() };
        s.save(dir.path()).unwrap();
        assert_eq!(Settings::load(dir.path()).unwrap(), s);
        std::fs::write(dir.path().join(NAME), r#"{"schema":"osspan-settings/2"}"#).unwrap();
        assert!(Settings::load(dir.path()).is_err_and(|e| e.kind() == ErrorKind::Unsupported));
    }
}
