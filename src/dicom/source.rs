//! Bytes read forwards, with their number known beforehand: what the header walk stands on.
//!
//! A plain file seeks over what is passed by; a deflated data set is inflated piece by piece and dropped, so that
//! neither is ever in memory as a whole.

use std::io::{self, BufReader, Read, Seek, SeekFrom};

use flate2::bufread::DeflateDecoder;

use super::limits::MAX_INFLATED;
use crate::error::{Error, ErrorKind, Result};

/// Bytes read forwards from a known position to a known end.
pub trait Source {
    /// Where the next byte is read, counted from the start of the file, or of the inflated data set.
    fn position(&self) -> u64;

    /// Where the bytes end; never less than the position.
    fn end(&self) -> u64;

    /// Fills `into`.
    ///
    /// # Errors
    /// The reader's own, also when fewer bytes are left.
    fn read(&mut self, into: &mut [u8]) -> io::Result<()>;

    /// Passes over `count` bytes.
    ///
    /// # Errors
    /// The reader's own.
    fn skip(&mut self, count: u64) -> io::Result<()>;

    /// The number of bytes left.
    fn left(&self) -> u64 {
        self.end().saturating_sub(self.position())
    }
}

/// A file, or anything else that seeks.
#[derive(Debug)]
pub struct Plain<R> {
    reader: BufReader<R>,
    position: u64,
    end: u64,
}

impl<R: Read + Seek> Plain<R> {
    /// Starts at `position` of `reader`.
    ///
    /// # Errors
    /// The reader's own.
    pub fn new(mut reader: R, position: u64) -> io::Result<Self> {
        let end = reader.seek(SeekFrom::End(0))?;
        let position = position.min(end);
        reader.seek(SeekFrom::Start(position))?;
        Ok(Self { reader: BufReader::with_capacity(4096, reader), position, end })
    }

    /// Starts again at `position`.
    ///
    /// # Errors
    /// The reader's own.
    pub fn restart(&mut self, position: u64) -> io::Result<()> {
        let position = position.min(self.end);
        self.reader.seek(SeekFrom::Start(position))?;
        self.position = position;
        Ok(())
    }
}

impl<R: Read + Seek> Source for Plain<R> {
    fn position(&self) -> u64 {
        self.position
    }

    fn end(&self) -> u64 {
        self.end
    }

    fn read(&mut self, into: &mut [u8]) -> io::Result<()> {
        self.reader.read_exact(into)?;
        self.position += into.len() as u64;
        Ok(())
    }

    fn skip(&mut self, count: u64) -> io::Result<()> {
        if count > self.left() {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        let step = i64::try_from(count).map_err(|_| io::Error::from(io::ErrorKind::InvalidInput))?;
        self.reader.seek_relative(step)?;
        self.position += count;
        Ok(())
    }
}

/// A deflated data set, inflated as it is read.
pub struct Inflating<R> {
    reader: DeflateDecoder<BufReader<R>>,
    position: u64,
    end: u64,
}

impl<R: Read + Seek> Inflating<R> {
    /// Inflates what follows `start` in `reader`. The inflated length is found first, by inflating once into nothing.
    ///
    /// # Errors
    /// `Format` when the deflated data are damaged, `Limit` when they inflate to more than [`MAX_INFLATED`].
    pub fn new(mut reader: R, start: u64) -> Result<Self> {
        let damaged = |e: io::Error| {
            Error::new(ErrorKind::Format, "the deflated data set is damaged")
                .found(e.to_string())
                .remedy("Fetch the file again")
                .caused_by(e)
        };
        reader.seek(SeekFrom::Start(start)).map_err(damaged)?;
        let mut first = DeflateDecoder::new(BufReader::new(&mut reader));
        let end = io::copy(&mut first.by_ref().take(MAX_INFLATED + 1), &mut io::sink()).map_err(damaged)?;
        if end > MAX_INFLATED {
            return Err(Error::new(ErrorKind::Limit, "the deflated data set is too long")
                .expected(format!("at most {MAX_INFLATED} bytes when inflated"))
                .remedy("Store the file again without deflating it"));
        }
        Self::with_length(reader, start, end).map_err(damaged)
    }

    /// As [`new`](Self::new), for a data set whose inflated length `end` is already known.
    ///
    /// # Errors
    /// The reader's own.
    pub fn with_length(mut reader: R, start: u64, end: u64) -> io::Result<Self> {
        reader.seek(SeekFrom::Start(start))?;
        Ok(Self { reader: DeflateDecoder::new(BufReader::new(reader)), position: 0, end })
    }
}

impl<R: Read> Source for Inflating<R> {
    fn position(&self) -> u64 {
        self.position
    }

    fn end(&self) -> u64 {
        self.end
    }

    fn read(&mut self, into: &mut [u8]) -> io::Result<()> {
        self.reader.read_exact(into)?;
        self.position += into.len() as u64;
        Ok(())
    }

    fn skip(&mut self, count: u64) -> io::Result<()> {
        if count > self.left() {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        let mut piece = [0_u8; 8192];
        let mut left = count;
        while left > 0 {
            let n = usize::try_from(left).unwrap_or(usize::MAX).min(piece.len());
            if let Some(part) = piece.get_mut(..n) {
                self.reader.read_exact(part)?;
            }
            left -= n as u64;
        }
        self.position += count;
        Ok(())
    }
}

/// The first bytes of `reader`, at most `count`, without moving past them when it is buffered.
///
/// # Errors
/// The reader's own.
pub fn first_bytes<R: Read + Seek>(reader: &mut R, count: usize) -> io::Result<Vec<u8>> {
    reader.seek(SeekFrom::Start(0))?;
    let mut head = Vec::with_capacity(count.min(4096));
    reader.by_ref().take(count as u64).read_to_end(&mut head)?;
    reader.seek(SeekFrom::Start(0))?;
    Ok(head)
}
