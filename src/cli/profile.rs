//! Who reads at this workstation, as what, with which key; and whose keys are known. And the store as this reader may see it.

use std::io::{BufRead, Write};
use std::path::Path;
use std::process::ExitCode;

use clap::Args;

use super::{Done, output};
use crate::error::{Error, ErrorKind, Result};
use crate::files::{self, ReaderKey, Settings};
use crate::record::{Onlooker, Role, Signer, Store};

/// Arguments of `profile`.
#[derive(Debug, Args)]
pub struct ProfileArgs {
    /// The name that records carry
    #[arg(long)]
    pub reader: Option<String>,
    /// What the reader is in the department
    #[arg(long, value_parser = role)]
    pub role: Option<Role>,
    /// Take somebody's key as known: NAME=KEY, as profile prints them at their workstation
    #[arg(long)]
    pub know: Option<String>,
    /// Seal this reader's key under a passphrase, read from the first line of standard input
    #[arg(long)]
    pub seal: bool,
}

fn role(text: &str) -> Result<Role, String> {
    Role::ALL.into_iter().find(|r| r.words() == text).ok_or_else(|| format!("expected sonographer, reviewer or trainee, found \"{text}\""))
}

/// The keys that are known here, in the user's data folder.
const SIGNERS: &str = "signers.json";
/// Longest such file, bytes.
const LONGEST: u64 = 1024 * 1024;

/// The records of a folder as this workstation's reader may see them.
pub(super) fn store(folder: &Path) -> Result<Store> {
    store_in(&files::data_dir()?, folder)
}

/// As [`store`], by the profile of a data folder that is known. A folder of records that workstations share must be there.
pub(crate) fn store_in(data_dir: &Path, folder: &Path) -> Result<Store> {
    files::check_records(folder)?;
    let index = files::index_in(data_dir, folder);
    Ok(Store::at(folder).with_index(index).seen_by(onlooker(data_dir)?).with_signers(signers(data_dir)?))
}

/// This workstation's reader; `None` until one is named.
pub(crate) fn onlooker(data_dir: &Path) -> Result<Option<Onlooker>> {
    let settings = Settings::load(data_dir)?;
    let role = Role::named(settings.role.as_deref());
    Ok(settings.reader.map(|reader| Onlooker { reader, role }))
}

/// This workstation's reader, who must be named.
pub(super) fn named() -> Result<Onlooker> {
    onlooker(&files::data_dir()?)?.ok_or_else(|| {
        Error::new(ErrorKind::Usage, "nobody is named here")
            .expected("a reader")
            .found("none")
            .remedy("osspan profile --reader NAME --role ROLE")
    })
}

/// Whose keys are known here.
pub(super) fn signers(data_dir: &Path) -> Result<Vec<Signer>> {
    let path = data_dir.join(SIGNERS);
    let Some(text) = files::read_text_if_there(&path, LONGEST)? else { return Ok(Vec::new()) };
    serde_json::from_str(&text).map_err(|e| Error::new(ErrorKind::Format, "the known keys cannot be read").found(e.to_string()).at(&path))
}

/// The seed of a reader's key. `passphrase` is asked only for a sealed one.
fn seed(data_dir: &Path, reader: &str, passphrase: impl FnOnce() -> Result<String>) -> Result<[u8; 32]> {
    match files::reader_key(data_dir, reader)? {
        ReaderKey::Open(seed) => Ok(seed),
        ReaderKey::Sealed(text) => files::unseal(&text, &passphrase()?)?
            .try_into()
            .map_err(|_| Error::new(ErrorKind::Format, "the sealed key cannot be used").expected("32 bytes").found("another length")),
    }
}

/// The error for a sealed key without its passphrase.
pub(crate) fn sealed(remedy: &str) -> Error {
    Error::new(ErrorKind::Usage, "the key is sealed").remedy(remedy)
}

/// The first line of standard input.
pub(super) fn typed() -> Result<String> {
    let mut line = String::new();
    let fail = |e: std::io::Error| Error::new(ErrorKind::Io, "the passphrase cannot be read").found(e.to_string());
    std::io::stdin().lock().read_line(&mut line).map_err(fail)?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}

/// As [`seed`], for signing: the reader's key is known here from then on.
pub(crate) fn reader_seed(data_dir: &Path, reader: &str, passphrase: impl FnOnce() -> Result<String>) -> Result<[u8; 32]> {
    let seed = seed(data_dir, reader, passphrase)?;
    keep_signer(data_dir, Signer { name: reader.to_owned(), key: files::public_key(&seed) })?;
    Ok(seed)
}

fn keep_signer(data_dir: &Path, signer: Signer) -> Result<()> {
    let mut all = signers(data_dir)?;
    if let Some(known) = all.iter().find(|s| s.key == signer.key) {
        return if *known == signer {
            Ok(())
        } else {
            Err(Error::new(ErrorKind::Usage, "the key is known here as another person's").found(known.name.clone()))
        };
    }
    all.push(signer);
    let text =
        serde_json::to_vec_pretty(&all).map_err(|e| Error::new(ErrorKind::Format, "the known keys cannot be written").caused_by(e))?;
    files::replace(data_dir, SIGNERS, &text).map(drop)
}

pub(super) fn run(args: &ProfileArgs, out: &mut dyn Write) -> Done {
    let data_dir = files::data_dir()?;
    let mut settings = Settings::load(&data_dir)?;
    if let Some(reader) = &args.reader {
        settings.reader = Some(reader.trim().to_owned()).filter(|r| !r.is_empty());
    }
    if let Some(role) = args.role {
        settings.role = Some(role.words().to_owned());
    }
    if args.reader.is_some() || args.role.is_some() {
        settings.save(&data_dir)?;
    }
    if args.seal {
        let reader = settings
            .reader
            .as_deref()
            .ok_or_else(|| Error::new(ErrorKind::Usage, "no key is sealed").expected("a named reader").found("none"))?;
        files::seal_reader_key(&data_dir, reader, &typed()?)?;
    }
    if let Some(pair) = &args.know {
        let (name, key) = pair.rsplit_once('=').ok_or_else(|| {
            Error::new(ErrorKind::Usage, "the key is not taken").expected("NAME=KEY, as profile prints them there").found(pair.clone())
        })?;
        if key.len() != 64 || !key.chars().all(|c| c.is_ascii_hexdigit()) || name.trim().is_empty() {
            return Err(Error::new(ErrorKind::Usage, "the key is not taken")
                .expected("a name and 64 hexadecimal digits")
                .found(pair.clone()));
        }
        keep_signer(&data_dir, Signer { name: name.trim().to_owned(), key: key.to_lowercase() })?;
    }
    let role = Role::named(settings.role.as_deref()).words();
    match &settings.reader {
        None => output::line(out, &format!("Reader: not named, {role}"))?,
        Some(name) => {
            output::line(out, &format!("Reader: {name}, {role}"))?;
            match files::reader_key(&data_dir, name)? {
                ReaderKey::Open(seed) => {
                    let key = files::public_key(&seed);
                    output::line(out, &format!("Key: {key}"))?;
                    keep_signer(&data_dir, Signer { name: name.clone(), key })?;
                }
                ReaderKey::Sealed(_) => output::line(out, "Key: sealed under a passphrase")?,
            }
        }
    }
    for signer in signers(&data_dir)? {
        output::line(out, &format!("Known: {}={}", signer.name, signer.key))?;
    }
    output::wrapped(
        out,
        "",
        "On a shared folder roles are a convention that this program keeps, not access control; what is enforced is the signature.",
    )?;
    Ok(ExitCode::SUCCESS)
}
