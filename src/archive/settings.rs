//! The one file of settings for everything that goes over the network: `archive.toml` in the data folder.

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::Deserialize;

use crate::error::{Error, ErrorKind, Result};
use crate::files;

/// Longest settings file, bytes.
const LONGEST: u64 = 256 * 1024;

/// A settings file with every entry, each explained.
pub const SAMPLE: &str = include_str!("sample.toml");

/// The settings as they stand in the file.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ArchiveSettings {
    /// This workstation's application entity title.
    pub title: String,
    /// How to receive.
    #[serde(default)]
    pub receiver: ReceiverSettings,
    /// Who may send to this workstation.
    #[serde(default, rename = "caller")]
    pub callers: Vec<Caller>,
    /// Archives that speak the DICOM network protocol.
    #[serde(default, rename = "archive")]
    pub archives: Vec<DicomArchive>,
    /// Archives that speak DICOMweb.
    #[serde(default, rename = "web")]
    pub webs: Vec<WebArchive>,
    /// How long to wait.
    #[serde(default)]
    pub patience: Patience,
}

/// How to receive.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ReceiverSettings {
    /// The address to listen on; this machine alone unless said otherwise.
    pub bind: IpAddr,
    /// The port; 0 takes one that is free.
    pub port: u16,
    /// Where received objects go; `received` in the data folder unless named.
    pub folder: Option<PathBuf>,
    /// Most associations at a time.
    pub most_associations: usize,
    /// Largest object that is taken, MB (10⁶ bytes).
    pub largest_object_mb: u64,
    /// TLS; without it the link is in clear.
    pub tls: Option<ServerTls>,
}

impl Default for ReceiverSettings {
    fn default() -> Self {
        Self { bind: IpAddr::from([127, 0, 0, 1]), port: 11112, folder: None, most_associations: 8, largest_object_mb: 4000, tls: None }
    }
}

/// Somebody who may send.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Caller {
    /// Its application entity title.
    pub title: String,
    /// The only address that it may call from.
    pub address: Option<IpAddr>,
}

/// An archive on the DICOM network.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DicomArchive {
    /// What it is called here.
    pub name: String,
    /// Its application entity title.
    pub title: String,
    /// Its host name or address.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// TLS; without it the link is in clear.
    pub tls: Option<ClientTls>,
}

/// An archive on the web.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WebArchive {
    /// What it is called here.
    pub name: String,
    /// Base of its addresses, without a slash at the end.
    pub base: String,
    /// Who signs in, with a password in a file.
    pub user: Option<String>,
    /// The file whose first line is the password.
    pub password_file: Option<PathBuf>,
    /// The file whose first line is a bearer token.
    pub token_file: Option<PathBuf>,
    /// TLS; needed for an address that begins with https.
    pub tls: Option<ClientTls>,
}

/// TLS where this program calls.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClientTls {
    /// Certificates that the other side's must be signed by, PEM.
    pub trust: PathBuf,
    /// The name in the other side's certificate, where it is not the host's.
    pub server_name: Option<String>,
    /// This side's certificate, PEM, where the other side asks for one.
    pub certificate: Option<PathBuf>,
    /// Its key, PEM.
    pub key: Option<PathBuf>,
}

impl ClientTls {
    fn paths(&mut self) -> impl Iterator<Item = &mut PathBuf> {
        std::iter::once(&mut self.trust).chain(self.certificate.as_mut()).chain(self.key.as_mut())
    }
}

/// TLS where this program is called.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ServerTls {
    /// This side's certificate, PEM.
    pub certificate: PathBuf,
    /// Its key, PEM.
    pub key: PathBuf,
    /// Certificates that callers' must be signed by, PEM; without it callers need none.
    pub callers: Option<PathBuf>,
}

/// How long to wait, and how often to try.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Patience {
    /// For a connection, s.
    pub connect_s: u64,
    /// For the other side to say or take something, s.
    pub silence_s: u64,
    /// For the answer to a whole request, s.
    pub answer_s: u64,
    /// Before the second try, s; each later wait is three times as long, up to a quarter of an hour.
    pub retry_s: u64,
}

impl Default for Patience {
    fn default() -> Self {
        Self { connect_s: 10, silence_s: 30, answer_s: 120, retry_s: 5 }
    }
}

/// Longest wait before another try.
const LONGEST_WAIT: Duration = Duration::from_secs(15 * 60);

impl Patience {
    /// The wait after `tries` tries that failed for the link's sake.
    #[must_use]
    pub fn wait(&self, tries: u32) -> Duration {
        let factor = 3_u64.checked_pow(tries.saturating_sub(1).min(20)).unwrap_or(u64::MAX);
        Duration::from_secs(self.retry_s.saturating_mul(factor)).min(LONGEST_WAIT)
    }

    /// For a connection.
    #[must_use]
    pub const fn connect(&self) -> Duration {
        Duration::from_secs(self.connect_s)
    }

    /// For the other side to say or take something.
    #[must_use]
    pub const fn silence(&self) -> Duration {
        Duration::from_secs(self.silence_s)
    }

    /// For an answer.
    #[must_use]
    pub const fn answer(&self) -> Duration {
        Duration::from_secs(self.answer_s)
    }
}

/// An archive by its name.
#[derive(Clone, Copy, Debug)]
pub enum Place<'a> {
    /// On the DICOM network.
    Dicom(&'a DicomArchive),
    /// On the web.
    Web(&'a WebArchive),
}

impl ArchiveSettings {
    /// Reads the settings of a data folder.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when there are none or they contradict themselves, [`ErrorKind::Format`] when they are no TOML
    /// or name something unknown; the message names the line.
    pub fn load(data_dir: &Path) -> Result<Self> {
        let path = files::archive_settings_in(data_dir);
        if !path.is_file() {
            return Err(Error::new(ErrorKind::Usage, "no archive is set up")
                .expected("a file of settings")
                .found("none")
                .remedy("Write one: `osspan archive settings --sample` prints one with every entry explained")
                .at(&path));
        }
        let folder = path.parent().unwrap_or(data_dir);
        Self::parse(&files::read_text(&path, LONGEST)?, folder).map_err(|e| e.at(&path))
    }

    /// Reads settings from text; file names in it are taken from `folder`.
    ///
    /// # Errors
    /// As [`ArchiveSettings::load`].
    pub fn parse(text: &str, folder: &Path) -> Result<Self> {
        let mut settings: Self = toml::from_str(text).map_err(|e| {
            let line = e.span().map_or(0, |s| text.get(..s.start).unwrap_or_default().matches('\n').count() + 1);
            Error::new(ErrorKind::Format, format!("the archive settings cannot be read, line {line}")).found(e.message().trim().to_owned())
        })?;
        settings.check()?;
        settings.paths().for_each(|p| {
            if p.is_relative() {
                *p = folder.join(&p);
            }
        });
        Ok(settings)
    }

    fn check(&self) -> Result<()> {
        let titles =
            std::iter::once(&self.title).chain(self.callers.iter().map(|c| &c.title)).chain(self.archives.iter().map(|a| &a.title));
        for title in titles {
            let plain = title.bytes().all(|b| (0x20..0x7F).contains(&b) && b != b'\\');
            if title.trim() != title || title.is_empty() || title.len() > 16 || !plain {
                return Err(wrong("an application entity title cannot be used", "1 to 16 plain characters, no backslash", title));
            }
        }
        let names: Vec<&str> = self.names().collect();
        for (i, name) in names.iter().enumerate() {
            if name.is_empty() || name.chars().any(char::is_control) {
                return Err(wrong("an archive cannot be told from others", "a name", "none"));
            }
            if names.iter().skip(i + 1).any(|n| n == name) {
                return Err(wrong("two archives have one name", "each name once", name));
            }
        }
        for web in &self.webs {
            check_web(web)?;
        }
        let tls = self.archives.iter().filter_map(|a| a.tls.as_ref()).chain(self.webs.iter().filter_map(|w| w.tls.as_ref()));
        for t in tls {
            if t.certificate.is_some() != t.key.is_some() {
                return Err(wrong("TLS cannot be used", "a certificate with its key, or neither", "one of them"));
            }
        }
        let p = &self.patience;
        if [p.connect_s, p.silence_s, p.answer_s, p.retry_s].contains(&0) {
            return Err(wrong("a wait cannot be used", "at least 1 s", "0"));
        }
        if self.receiver.most_associations == 0 || self.receiver.largest_object_mb == 0 {
            return Err(wrong("the receiver could take nothing", "at least 1 association and 1 MB", "0"));
        }
        Ok(())
    }

    fn paths(&mut self) -> impl Iterator<Item = &mut PathBuf> {
        let mut all: Vec<&mut PathBuf> = Vec::new();
        all.extend(self.receiver.folder.as_mut());
        if let Some(t) = &mut self.receiver.tls {
            all.extend([&mut t.certificate, &mut t.key]);
            all.extend(t.callers.as_mut());
        }
        for t in self.archives.iter_mut().filter_map(|a| a.tls.as_mut()) {
            all.extend(t.paths());
        }
        for w in &mut self.webs {
            all.extend(w.password_file.as_mut());
            all.extend(w.token_file.as_mut());
            if let Some(t) = &mut w.tls {
                all.extend(t.paths());
            }
        }
        all.into_iter()
    }

    /// The names of all archives, in the order of the file.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.archives.iter().map(|a| a.name.as_str()).chain(self.webs.iter().map(|w| w.name.as_str()))
    }

    /// The archive of this name.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when there is none; the message names those there are.
    pub fn place(&self, name: &str) -> Result<Place<'_>> {
        if let Some(a) = self.archives.iter().find(|a| a.name == name) {
            return Ok(Place::Dicom(a));
        }
        self.webs.iter().find(|w| w.name == name).map(Place::Web).ok_or_else(|| {
            let names: Vec<&str> = self.names().collect();
            let known = if names.is_empty() { "none is set up".to_owned() } else { names.join(", ") };
            Error::new(ErrorKind::Usage, "there is no archive of this name").expected(known).found(name)
        })
    }

    /// Where received objects go.
    #[must_use]
    pub fn received(&self, data_dir: &Path) -> PathBuf {
        self.receiver.folder.clone().unwrap_or_else(|| files::received_in(data_dir))
    }
}

fn check_web(web: &WebArchive) -> Result<()> {
    let plain = web.base.strip_prefix("http://");
    let Some(rest) = plain.or_else(|| web.base.strip_prefix("https://")) else {
        return Err(wrong("a DICOMweb address cannot be used", "http:// or https:// at its beginning", &web.base));
    };
    if rest.is_empty() || web.base.ends_with('/') || rest.contains(['@', '?', '#', ' ']) {
        return Err(wrong("a DICOMweb address cannot be used", "no slash at the end, no name, password or question in it", &web.base));
    }
    if plain.is_none() && web.tls.is_none() {
        return Err(wrong("a DICOMweb address cannot be used", "a table tls with the certificates to trust, for https", "none"));
    }
    let signs_in = web.user.is_some() || web.token_file.is_some();
    if web.user.is_some() != web.password_file.is_some() || (web.user.is_some() && web.token_file.is_some()) {
        return Err(wrong("signing in cannot be done", "user with password_file, or token_file", "something else"));
    }
    let host = rest.split('/').next().unwrap_or_default();
    let host = host.rsplit_once(':').map_or(host, |(h, _)| h).trim_matches(['[', ']']);
    let here = host == "localhost" || host.parse::<IpAddr>().is_ok_and(|a| a.is_loopback());
    if plain.is_some() && signs_in && !here {
        return Err(wrong("a password would go over the network in clear", "https", "http"));
    }
    Ok(())
}

fn wrong(what: &str, expected: &str, found: &str) -> Error {
    Error::new(ErrorKind::Usage, what).expected(expected).found(found)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn parse(text: &str) -> Result<ArchiveSettings> {
        ArchiveSettings::parse(text, Path::new("/data"))
    }

    #[test]
    fn the_sample_is_read_and_its_plain_values_are_what_an_empty_file_means() {
        let sample = parse(SAMPLE).unwrap();
        let least = parse("title = \"OSSPAN\"").unwrap();
        assert_eq!((sample.patience, sample.title.as_str()), (least.patience, "OSSPAN"));
        assert_eq!((sample.receiver.bind, sample.receiver.port), (least.receiver.bind, least.receiver.port));
        assert_eq!(sample.receiver.most_associations, least.receiver.most_associations);
        assert!(least.receiver.bind.is_loopback() && least.callers.is_empty(), "nobody may call until named");
        assert!(matches!(sample.place("hospital"), Ok(Place::Dicom(a)) if a.port == 104));
        assert!(sample.place("elsewhere").unwrap_err().message().contains("hospital"));
        let tls = sample.archives.iter().find_map(|a| a.tls.as_ref()).unwrap();
        assert!(tls.trust.starts_with("/data"), "file names are from the settings' folder");
    }

    #[test]
    fn a_bad_file_gives_one_clear_error() {
        for (text, says) in [
            ("title = \"A\"\nprot = 1", "line 2"),
            ("title = 3", "line 1"),
            ("title = \"ABCDEFGHIJKLMNOPQ\"", "1 to 16"),
            ("title = \"A\"\n[patience]\nanswer_s = 0", "at least 1 s"),
            ("title = \"A\"\n[[web]]\nname = \"w\"\nbase = \"https://h/x\"", "for https"),
            ("title = \"A\"\n[[web]]\nname = \"w\"\nbase = \"http://h/x\"\ntoken_file = \"t\"", "in clear"),
            ("title = \"A\"\n[[web]]\nname = \"w\"\nbase = \"http://u:p@h/x\"", "no name, password"),
            ("title = \"A\"\n[[caller]]\ntitle = \"B\"\naddress = \"nowhere\"", "line 4"),
        ] {
            let e = parse(text).unwrap_err();
            assert!(e.message().contains(says), "{text}: {e}");
        }
        let two =
            "title = \"A\"\n[[web]]\nname = \"w\"\nbase = \"http://h/x\"\n[[archive]]\nname = \"w\"\ntitle = \"T\"\nhost = \"h\"\nport = 1";
        assert!(parse(two).unwrap_err().message().contains("one name"));
    }

    #[test]
    fn waits_grow_and_end_at_a_quarter_of_an_hour() {
        let p = Patience::default();
        assert_eq!([1, 2, 3, 9].map(|n| p.wait(n).as_secs()), [5, 15, 45, 900]);
    }
}
