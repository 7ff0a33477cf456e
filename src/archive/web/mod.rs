//! DICOMweb (PS3.18): a thin client that tells all stored (200) from some stored (202) from none (409), and keeps what the
//! archive said of each object.
//!
//! Redirects are not followed: a name and password go to the host that the settings name and to no other.

mod fetch;
mod json;
mod multipart;
mod store;

pub(super) use fetch::{find, get, test};
pub(super) use store::store;

use std::path::Path;
use std::time::Duration;

use base64::Engine as _;
use ureq::http::{Response, StatusCode};
use ureq::tls::{Certificate, ClientCert, PrivateKey, RootCerts, TlsConfig, TlsProvider};
use ureq::{Agent, Body};

use super::settings::{ClientTls, Patience, WebArchive};
use super::tls;
use super::wire::{link, no_tls};
use crate::error::{Error, ErrorKind, Result};
use crate::files;

/// Longest answer that is held in memory, bytes.
const LONGEST_ANSWER: u64 = 16 * 1024 * 1024;
/// What a whole exam may take to arrive.
const LONGEST_TRANSFER: Duration = Duration::from_secs(3600);

/// The way to one archive on the web.
struct Client<'a> {
    agent: Agent,
    archive: &'a WebArchive,
    sign_in: Option<String>,
}

impl<'a> Client<'a> {
    fn new(archive: &'a WebArchive, patience: &Patience) -> Result<Self> {
        let mut config = Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .max_redirects_will_error(false)
            .proxy(None)
            .user_agent("osspan")
            .timeout_connect(Some(patience.connect()))
            .timeout_recv_response(Some(patience.answer()))
            .timeout_per_read(Some(patience.silence()))
            .timeout_per_write(Some(patience.silence()))
            .timeout_global(Some(LONGEST_TRANSFER));
        if let Some(settings) = &archive.tls {
            config = config.tls_config(secure(settings)?);
        }
        Ok(Self { agent: config.build().into(), archive, sign_in: sign_in(archive)? })
    }

    fn address(&self, rest: &str) -> String {
        format!("{}/{rest}", self.archive.base)
    }

    /// Asks for `rest` below the archive's base.
    fn ask(&self, rest: &str, accept: &str, query: &[(&str, String)]) -> Result<Response<Body>> {
        let mut request = self.agent.get(self.address(rest)).header("Accept", accept);
        if let Some(value) = &self.sign_in {
            request = request.header("Authorization", value);
        }
        for (key, value) in query {
            request = request.query(key, value);
        }
        request.call().map_err(|e| unreachable(&e))
    }
}

/// What went wrong on the way, without the address: it may hold a patient's number.
fn unreachable(e: &ureq::Error) -> Error {
    let found = match e {
        // A handshake that fails comes as a failure of reading.
        ureq::Error::Io(e) => match e.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>()) {
            Some(why) => return no_tls(why),
            None => e.to_string(),
        },
        ureq::Error::Tls(text) => return no_tls(text),
        ureq::Error::Rustls(why) => return no_tls(why),
        ureq::Error::Timeout(_) => "nothing came in time".to_owned(),
        ureq::Error::HostNotFound => "the host is not known".to_owned(),
        ureq::Error::ConnectionFailed => "no connection".to_owned(),
        _ => "the exchange failed".to_owned(),
    };
    link("the archive does not answer").found(found)
}

/// The archive's refusal of a whole request. What the settings or time can mend is a matter of the link.
fn refused(status: StatusCode) -> Error {
    let (kind, remedy) = match status.as_u16() {
        300..=399 => (ErrorKind::Io, "It points to another address, which is not followed: name that one in the archive settings"),
        401 | 403 => (ErrorKind::Io, "See user and password_file, or token_file, in the archive settings"),
        404 | 405 | 501 => (ErrorKind::Io, "See the base address in the archive settings"),
        429 | 500..=599 => (ErrorKind::Io, "Try again later"),
        _ => (ErrorKind::Unsupported, "Ask whoever runs the archive"),
    };
    Error::new(kind, "the archive refused the request").found(words(status)).remedy(remedy)
}

fn words(status: StatusCode) -> String {
    format!("HTTP {} {}", status.as_u16(), status.canonical_reason().unwrap_or_default()).trim_end().to_owned()
}

/// The header that signs in. Secrets are read when needed and never printed.
fn sign_in(archive: &WebArchive) -> Result<Option<String>> {
    let secret = |path: &Path| -> Result<String> {
        let text = files::read_text(path, 64 * 1024)?;
        let line = text.lines().next().unwrap_or_default().trim().to_owned();
        if line.is_empty() || line.chars().any(char::is_control) {
            return Err(Error::new(ErrorKind::Usage, "signing in cannot be done").expected("a first line of text").found("none").at(path));
        }
        Ok(line)
    };
    match (&archive.user, &archive.password_file, &archive.token_file) {
        (Some(user), Some(file), _) => {
            let pair = format!("{user}:{}", secret(file)?);
            Ok(Some(format!("Basic {}", base64::engine::general_purpose::STANDARD.encode(pair))))
        }
        (_, _, Some(file)) => Ok(Some(format!("Bearer {}", secret(file)?))),
        _ => Ok(None),
    }
}

fn secure(settings: &ClientTls) -> Result<TlsConfig> {
    let chain = |path: &Path| -> Result<Vec<Certificate<'static>>> {
        Ok(tls::certificates(path)?.iter().map(|c| Certificate::from_der(c).to_owned()).collect())
    };
    let mut config = TlsConfig::builder()
        .provider(TlsProvider::Rustls)
        .unversioned_rustls_crypto_provider(tls::provider())
        .root_certs(RootCerts::new_with_certs(&chain(&settings.trust)?));
    if let (Some(certificate), Some(file)) = (&settings.certificate, &settings.key) {
        let key = tls::key_as(file, |pem| PrivateKey::from_pem(pem).ok().map(|key| key.to_owned()))?;
        config = config.client_cert(Some(ClientCert::new_with_certs(&chain(certificate)?, key)));
    }
    Ok(config.build())
}
