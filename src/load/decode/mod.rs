//! From a frame's stored bytes to samples.
//!
//! Two steps, each pure: a coding is undone (`native`, `rle`, `jpeg` and its kin), which gives stored values pixel by pixel, and
//! then `colour` makes grey or RGB of them as the Photometric Interpretation says. A decoder that already undoes the
//! colour transform of its code stream says so by the photometric it returns.

pub(crate) mod colour;
pub(crate) mod jpeg;
pub(crate) mod jpeg_2000;
pub(crate) mod jpeg_lossless;
pub(crate) mod jpeg_ls;
pub(crate) mod native;
pub(crate) mod rle;
mod segments;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::channel;
use std::time::Duration;

use crate::dicom::image::{Photometric, PixelLayout};
use crate::dicom::limits::MAX_DECODE_TIME;
use crate::dicom::syntax::{Coding, Syntax};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::Samples;

/// Pixels and coded bytes up to which a picture cannot take long, however it was made (many scans over the same pixels are
/// what takes long).
const SMALL: usize = 1024 * 1024;

/// Stored values, pixel by pixel, row by row; colour as triples.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Stored {
    Bytes(Vec<u8>),
    Words(Vec<u16>),
}

/// Stored values and the photometric that they are now in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Raw {
    pub(crate) values: Stored,
    pub(crate) photometric: Photometric,
}

/// Decodes one frame of a DICOM file. `data` are its bytes, fragments joined.
///
/// A panic of a decoder that is not our own becomes this frame's error, and so does taking longer than
/// [`MAX_DECODE_TIME`].
pub(crate) fn frame(syntax: &Syntax, layout: &PixelLayout, data: Vec<u8>) -> Result<Samples> {
    let (syntax, layout) = (*syntax, layout.clone());
    // Bounded by a few seconds whatever the data are: a thread of its own would only cost time.
    let linear = matches!(syntax.coding, Coding::Native | Coding::Rle);
    let small = data.len() <= SMALL && layout.pixels() <= SMALL && syntax.coding != Coding::Jpeg2000;
    let work = move || {
        let (syntax, layout) = (&syntax, &layout);
        let raw = match syntax.coding {
            Coding::Native => native::decode(layout, syntax.layout.big_endian, data)?,
            Coding::Rle => rle::decode(layout, &data)?,
            Coding::JpegBaseline | Coding::JpegExtended => jpeg::decode(layout, &data)?,
            Coding::JpegLossless => jpeg_lossless::decode(layout, &data)?,
            Coding::JpegLs => jpeg_ls::decode(layout, &data)?,
            Coding::Jpeg2000 => jpeg_2000::decode(layout, &data)?,
            Coding::Other => return Err(not_read(syntax)),
        };
        colour::finish(layout, raw)
    };
    if linear || small { contained(syntax.name, work) } else { within(MAX_DECODE_TIME, syntax.name, work) }
}

/// Whether frames in this transfer syntax are read at all; the refusal carries its name.
pub(crate) fn check(syntax: &Syntax) -> Result<()> {
    if syntax.coding == Coding::Other { Err(not_read(syntax)) } else { Ok(()) }
}

fn not_read(syntax: &Syntax) -> Error {
    Error::new(ErrorKind::Unsupported, "the pixel data are in a transfer syntax that is not read")
        .found(format!("{} ({})", syntax.name, syntax.uid))
        .remedy("Store the file again as Explicit VR Little Endian")
}

/// Runs `work` on a thread of its own and waits for it no longer than `limit`; a panic or a late answer becomes an error
/// that names `what`.
///
/// A decoder cannot be stopped from outside: one that is late is left to end by itself, which the limits on pixels and
/// coded bytes make certain, and its answer is thrown away.
fn within<T: Send + 'static>(limit: Duration, what: &'static str, work: impl FnOnce() -> Result<T> + Send + 'static) -> Result<T> {
    let (send, answer) = channel();
    std::thread::spawn(move || send.send(contained(what, work)));
    answer.recv_timeout(limit).unwrap_or_else(|_| {
        Err(Error::new(ErrorKind::Limit, "the picture takes too long to decode")
            .expected(format!("a {what} picture within {} s", limit.as_secs_f64()))
            .found("no picture in that time")
            .remedy("Fetch the file again; it may be damaged"))
    })
}

/// Runs `work`; a panic inside becomes an error that names `what`.
pub(crate) fn contained<T>(what: &str, work: impl FnOnce() -> Result<T>) -> Result<T> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| {
        Err(Error::new(ErrorKind::Format, "the picture cannot be decoded")
            .found(format!("the {what} decoder gave up on damaged data"))
            .remedy("Fetch the file again"))
    })
}

/// Damaged pixel data of a named coding.
pub(crate) fn damaged(what: &str, found: impl Into<String>) -> Error {
    Error::new(ErrorKind::Format, format!("the {what} data are damaged")).found(found).remedy("Fetch the file again")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_decoder_that_is_late_or_gives_up_is_an_error_and_the_program_goes_on() {
        let late = within(Duration::from_millis(20), "slow", || {
            std::thread::sleep(Duration::from_secs(1));
            Ok(())
        });
        assert!(late.is_err_and(|e| e.kind() == ErrorKind::Limit && e.message().contains("slow")));
        #[allow(clippy::panic)]
        let gave_up = within(Duration::from_secs(5), "brittle", || -> Result<()> { panic!("damaged") });
        assert!(gave_up.is_err_and(|e| e.kind() == ErrorKind::Format));
        assert!(within(Duration::from_secs(5), "sound", || Ok(7)).is_ok_and(|n| n == 7));
    }
}
