//! QIDO-RS and WADO-RS (PS3.18 sections 10.6 and 10.4): finding exams and fetching one.

use std::ops::ControlFlow;

use super::super::inbox::Inbox;
use super::super::query::{Answer, Fetched, Found, MOST_FOUND, MOST_OBJECTS, Question};
use super::super::settings::{Patience, WebArchive};
use super::multipart::{Parts, boundary};
use super::{Client, LONGEST_ANSWER, json, refused, unreachable};
use crate::error::{Error, ErrorKind, Result};

/// Asks for one exam, any, to see whether the archive answers and lets this workstation in.
pub(in super::super) fn test(archive: &WebArchive, patience: &Patience) -> Result<()> {
    search(archive, patience, &[("limit", "1".to_owned())]).map(drop)
}

/// Exams that match.
pub(in super::super) fn find(archive: &WebArchive, patience: &Patience, question: &Question) -> Result<Answer> {
    let mut query = vec![("limit", (MOST_FOUND + 1).to_string())];
    let given = [
        ("PatientID", question.patient.clone()),
        ("PatientName", question.wild_name()),
        ("StudyDate", question.range()),
        ("StudyInstanceUID", question.study.clone()),
    ];
    query.extend(given.into_iter().filter_map(|(key, value)| Some((key, value?))));
    // Study Description, Modalities in Study, Number of Study Related Instances.
    query.extend(["00081030", "00080061", "00201208"].map(|tag| ("includefield", tag.to_owned())));
    let mut found = search(archive, patience, &query)?;
    let more = found.len() > MOST_FOUND;
    found.truncate(MOST_FOUND);
    Ok(Answer { found, more })
}

fn search(archive: &WebArchive, patience: &Patience, query: &[(&str, String)]) -> Result<Vec<Found>> {
    let client = Client::new(archive, patience)?;
    let mut response = client.ask("studies", "application/dicom+json", query)?;
    match response.status().as_u16() {
        200 => {}
        204 => return Ok(Vec::new()),
        _ => return Err(refused(response.status())),
    }
    let bytes = response.body_mut().with_config().limit(LONGEST_ANSWER).read_to_vec().map_err(|e| unreachable(&e))?;
    if bytes.is_empty() {
        return Ok(Vec::new());
    }
    let answer = json::parse(&bytes)?;
    let one = |set: json::DataSet<'_>| {
        Some(Found {
            study: set.text("0020000D")?,
            date: set.text("00080020"),
            patient: set.text("00100020"),
            name: set.text("00100010"),
            description: set.text("00081030"),
            modalities: set.texts("00080061"),
            objects: set.whole("00201208"),
        })
    };
    Ok(json::data_sets(&answer).into_iter().filter_map(one).collect())
}

/// Fetches the objects of a study into `inbox`, each in the transfer syntax that the archive has it in.
pub(in super::super) fn get(
    archive: &WebArchive,
    patience: &Patience,
    study: &str,
    inbox: &Inbox,
    most: u64,
    progress: &mut dyn FnMut(usize, Option<u16>) -> ControlFlow<()>,
) -> Result<Fetched> {
    let client = Client::new(archive, patience)?;
    let accept = "multipart/related; type=\"application/dicom\"; transfer-syntax=*";
    let mut response = client.ask(&format!("studies/{study}"), accept, &[])?;
    if !matches!(response.status().as_u16(), 200 | 206) {
        return Err(refused(response.status()));
    }
    let kind = response.headers().get("content-type").and_then(|v| v.to_str().ok()).unwrap_or_default().to_owned();
    let boundary = boundary(&kind).ok_or_else(|| {
        Error::new(ErrorKind::Format, "the archive's answer cannot be read").expected("multipart/related").found("something else")
    })?;
    let partial = response.status().as_u16() == 206;
    let reader = response.body_mut().with_config().limit(u64::MAX).reader();
    let mut parts = Parts::new(reader, &boundary);
    let mut fetched = Fetched::default();
    for _ in 0..MOST_OBJECTS {
        if progress(fetched.arrived, None).is_break() {
            return Err(Error::new(ErrorKind::Usage, "the fetch was stopped").found(format!("{} objects came before", fetched.arrived)));
        }
        if parts.next()?.is_none() {
            if partial {
                fetched.failed.push("the archive sent a part of the exam only (HTTP 206)".into());
            }
            return Ok(fetched);
        }
        let mut arriving = inbox.begin_file("", "");
        let mut length = 0_u64;
        parts.body(&mut |bytes| {
            length += bytes.len() as u64;
            // Beyond the limit the rest of the part is passed over.
            if let (Ok(a), true) = (&mut arriving, length <= most) {
                a.take(bytes);
            }
        })?;
        let done = if length > most {
            Err(Error::new(ErrorKind::Limit, "an object is too large").expected(format!("at most {most} bytes")).found(length.to_string()))
        } else {
            arriving.and_then(super::super::inbox::Arriving::finish)
        };
        match done {
            Ok(arrived) => fetched.take(&arrived),
            Err(e) => fetched.failed.push(e.message()),
        }
    }
    Err(Error::new(ErrorKind::Limit, "the exam has too many objects").expected(format!("at most {MOST_OBJECTS}")))
}
