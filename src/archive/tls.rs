//! TLS from PEM files. The cryptography is `ring`, named here and nowhere taken from a default of the process.

use std::path::Path;
use std::sync::Arc;

use rustls::crypto::CryptoProvider;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::{ClientConfig, RootCertStore, ServerConfig};

use super::settings::{ClientTls, ServerTls};
use crate::error::{Error, ErrorKind, Result};
use crate::files;

/// Longest PEM file, bytes.
const LONGEST: u64 = 1024 * 1024;

/// The cryptography.
pub(super) fn provider() -> Arc<CryptoProvider> {
    Arc::new(rustls::crypto::ring::default_provider())
}

/// Certificates of a PEM file, at least one.
pub(super) fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>> {
    let pem = files::read_bytes(path, LONGEST)?;
    let found: Vec<_> = CertificateDer::pem_slice_iter(&pem).filter_map(std::result::Result::ok).collect();
    if found.is_empty() {
        return Err(Error::new(ErrorKind::Format, "the certificates cannot be read").expected("PEM").found("no certificate").at(path));
    }
    Ok(found)
}

/// The key of a PEM file, as `parse` takes it.
pub(super) fn key_as<K>(path: &Path, parse: impl FnOnce(&[u8]) -> Option<K>) -> Result<K> {
    parse(&files::read_bytes(path, LONGEST)?)
        .ok_or_else(|| Error::new(ErrorKind::Format, "the key cannot be read").expected("a private key in PEM").found("none").at(path))
}

fn key(path: &Path) -> Result<PrivateKeyDer<'static>> {
    key_as(path, |pem| PrivateKeyDer::from_pem_slice(pem).ok())
}

fn trusted(path: &Path) -> Result<RootCertStore> {
    let mut store = RootCertStore::empty();
    let (taken, _) = store.add_parsable_certificates(certificates(path)?);
    if taken == 0 {
        return Err(Error::new(ErrorKind::Format, "no certificate can be trusted").expected("one of an authority").found("none").at(path));
    }
    Ok(store)
}

fn unusable(e: &dyn std::fmt::Display) -> Error {
    Error::new(ErrorKind::Usage, "TLS cannot be used as it is set up").found(e.to_string())
}

/// For calling.
pub(super) fn for_calling(settings: &ClientTls) -> Result<Arc<ClientConfig>> {
    let builder = ClientConfig::builder_with_provider(provider())
        .with_safe_default_protocol_versions()
        .map_err(|e| unusable(&e))?
        .with_root_certificates(trusted(&settings.trust)?);
    let config = match (&settings.certificate, &settings.key) {
        (Some(certificate), Some(file)) => {
            builder.with_client_auth_cert(certificates(certificate)?, key(file)?).map_err(|e| unusable(&e).at(certificate))?
        }
        _ => builder.with_no_client_auth(),
    };
    Ok(Arc::new(config))
}

/// For being called.
pub(super) fn for_answering(settings: &ServerTls) -> Result<Arc<ServerConfig>> {
    let builder = ServerConfig::builder_with_provider(provider()).with_safe_default_protocol_versions().map_err(|e| unusable(&e))?;
    let builder = match &settings.callers {
        Some(callers) => {
            let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(trusted(callers)?), provider())
                .build()
                .map_err(|e| unusable(&e).at(callers))?;
            builder.with_client_cert_verifier(verifier)
        }
        None => builder.with_no_client_auth(),
    };
    let config = builder
        .with_single_cert(certificates(&settings.certificate)?, key(&settings.key)?)
        .map_err(|e| unusable(&e).at(&settings.certificate))?;
    Ok(Arc::new(config))
}
