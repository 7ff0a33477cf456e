//! multipart/related (RFC 2387) as DICOMweb uses it, read in bounded pieces: one part may be larger than memory.

use std::io::{self, Read};

use crate::error::{Error, ErrorKind, Result};

/// Longest head of a part, bytes.
const LONGEST_HEAD: usize = 16 * 1024;
/// Bytes read at a time.
const PIECE: usize = 64 * 1024;

/// The boundary that a Content-Type names.
pub(super) fn boundary(content_type: &str) -> Option<String> {
    let (kind, parameters) = content_type.split_once(';')?;
    if !kind.trim().eq_ignore_ascii_case("multipart/related") {
        return None;
    }
    // No semicolon can be in a boundary (RFC 2046 section 5.1.1).
    let value = parameters.split(';').filter_map(|p| p.split_once('=')).find(|(k, _)| k.trim().eq_ignore_ascii_case("boundary"))?.1;
    let value = value.trim().trim_matches('"');
    if value.is_empty() || value.len() > 70 { None } else { Some(value.to_owned()) }
}

/// Reads parts one after the other.
pub(super) struct Parts<R> {
    reader: R,
    held: Vec<u8>,
    ended: bool,
    at_delimiter: bool,
    delimiter: Vec<u8>,
}

impl<R: Read> Parts<R> {
    /// Reads from the beginning of a body.
    pub(super) fn new(reader: R, boundary: &str) -> Self {
        // The first delimiter may stand at the very beginning: a line end before it makes all of them alike.
        Self { reader, held: b"\r\n".to_vec(), ended: false, at_delimiter: false, delimiter: format!("\r\n--{boundary}").into_bytes() }
    }

    /// Goes to the next part and returns its head; `None` at the end.
    pub(super) fn next(&mut self) -> Result<Option<String>> {
        // What stands before a delimiter and was not asked for is passed over: a preamble, or a part that nobody read.
        if !self.at_delimiter {
            self.body(&mut |_| ())?;
        }
        self.at_delimiter = false;
        while self.held.len() < 2 && !self.ended {
            self.more()?;
        }
        if self.held.starts_with(b"--") {
            return Ok(None);
        }
        loop {
            if let Some(at) = find(&self.held, b"\r\n\r\n") {
                let head: Vec<u8> = self.held.drain(..at + 4).take(at).collect();
                return Ok(Some(String::from_utf8_lossy(&head).trim().to_owned()));
            }
            if self.held.len() > LONGEST_HEAD || self.ended {
                return Err(wrong("the head of a part", "none"));
            }
            self.more()?;
        }
    }

    /// Reads the rest of the part, up to the next delimiter, which is consumed.
    pub(super) fn body(&mut self, sink: &mut dyn FnMut(&[u8])) -> Result<()> {
        loop {
            if let Some(at) = find(&self.held, &self.delimiter) {
                sink(self.held.get(..at).unwrap_or_default());
                self.held.drain(..at + self.delimiter.len());
                self.at_delimiter = true;
                return Ok(());
            }
            if self.ended {
                return Err(wrong("the boundary at the end", "the end of the answer"));
            }
            // The last bytes may be the beginning of a delimiter.
            let sure = self.held.len().saturating_sub(self.delimiter.len() - 1);
            sink(self.held.get(..sure).unwrap_or_default());
            self.held.drain(..sure);
            self.more()?;
        }
    }

    fn more(&mut self) -> Result<()> {
        let from = self.held.len();
        self.held.resize(from + PIECE, 0);
        let read = loop {
            match self.reader.read(self.held.get_mut(from..).unwrap_or_default()) {
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                other => break other,
            }
        };
        self.held.truncate(from + read.as_ref().map_or(0, |n| *n));
        let n = read.map_err(|e| super::link("the connection was lost").found(e.to_string()))?;
        self.ended = n == 0;
        Ok(())
    }
}

fn find(in_bytes: &[u8], what: &[u8]) -> Option<usize> {
    in_bytes.windows(what.len()).position(|w| w == what)
}

fn wrong(expected: &str, found: &str) -> Error {
    Error::new(ErrorKind::Format, "the archive's answer cannot be read").expected(expected).found(found)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// Gives a few bytes at a time.
    struct Drip<'a>(&'a [u8], usize);

    impl Read for Drip<'_> {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            let n = self.1.min(self.0.len()).min(into.len());
            into[..n].copy_from_slice(&self.0[..n]);
            self.0 = &self.0[n..];
            Ok(n)
        }
    }

    fn parts(body: &[u8], step: usize) -> Result<Vec<Vec<u8>>> {
        let mut parts = Parts::new(Drip(body, step), "b1");
        let mut all = Vec::new();
        while parts.next()?.is_some() {
            let mut one = Vec::new();
            parts.body(&mut |b| one.extend_from_slice(b))?;
            all.push(one);
        }
        Ok(all)
    }

    #[test]
    fn parts_come_out_whole_however_they_arrive() {
        let body = b"pre\r\n--b1\r\nContent-Type: application/dicom\r\n\r\none\r\n--b\r\n\r\n--b1\r\nX: y\r\n\r\n\r\n--b1--\r\nafter";
        for step in [1, 2, 3, 7, 1000] {
            assert_eq!(parts(body, step).unwrap(), [b"one\r\n--b\r\n".to_vec(), Vec::new()], "{step} bytes at a time");
        }
        assert_eq!(parts(b"--b1\r\nA: b\r\n\r\nx\r\n--b1--", 1).unwrap(), [b"x".to_vec()]);
    }

    #[test]
    fn a_cut_answer_is_an_error_and_an_endless_head_ends() {
        assert!(parts(b"--b1\r\nA: b\r\n\r\nhalf", 3).is_err());
        let long = [b"--b1\r\n".to_vec(), vec![b'a'; 200_000]].concat();
        assert!(parts(&long, 1000).is_err());
    }

    #[test]
    fn boundaries_are_read_as_archives_write_them() {
        let of = |s| boundary(s);
        assert_eq!(of("multipart/related; type=\"application/dicom\"; boundary=ab-1").as_deref(), Some("ab-1"));
        assert_eq!(of("Multipart/Related;boundary=\"x y\";type=application/dicom").as_deref(), Some("x y"));
        assert!(of("multipart/related; type=x").is_none() && of("application/json; boundary=q").is_none());
    }
}
