//! JPEG lossless with Huffman coding (ITU-T T.81 annex H, process 14): any of the seven predictors, 2 to 16 bits.
//!
//! Our own: the maintained Rust JPEG decoders do not read this process at all, or not in 16 bits with every predictor.

use super::segments::{EOI, FrameHeader, SOS, Segments, mark};
use super::{Raw, Stored, damaged};
use crate::dicom::image::PixelLayout;
use crate::error::{Error, ErrorKind, Result};

const WHAT: &str = "JPEG lossless";

pub(crate) fn decode(layout: &PixelLayout, data: &[u8]) -> Result<Raw> {
    let mut segments = Segments::new(WHAT, data)?;
    let mut tables: [Option<Table>; 4] = [None, None, None, None];
    let mut frame: Option<FrameHeader> = None;
    let mut restart = 0_usize;
    let components = layout.photometric.samples() as usize;
    let mut out = vec![0_u16; layout.pixels() * components];
    let mut seen = vec![false; components];
    while seen.contains(&false) {
        let (code, segment) = segments.read()?;
        match code {
            0xC3 => frame = Some(FrameHeader::read(WHAT, "JPEG", layout, segment, subsampled)?),
            0xC4 => read_tables(segment, &mut tables)?,
            0xDD => restart = segment.as_array::<2>().map_or(0, |b| usize::from(u16::from_be_bytes(*b))),
            0xC0..=0xC2 | 0xC5..=0xCF => {
                return Err(Error::new(ErrorKind::Unsupported, "this kind of JPEG is not read")
                    .expected("process FFC3, lossless with Huffman coding")
                    .found(format!("process FF{code:02X}")));
            }
            SOS => {
                let frame = frame.as_ref().ok_or_else(|| damaged(WHAT, "a scan before the frame header"))?;
                let scan = Scan::read(frame, segment, &tables)?;
                // Restart marks D0 to D7 are part of the scan.
                let coded = segments.entropy(|b| b != 0 && b != 0xFF && !(0xD0..=0xD7).contains(&b));
                scan.decode(layout, frame.precision, restart, coded, &mut out, components)?;
                if !mark(&mut seen, scan.parts.iter().map(|p| p.0)) {
                    return Err(damaged(WHAT, "a component that comes twice"));
                }
            }
            EOI => return Err(damaged(WHAT, "they end before the picture does")),
            _ => {}
        }
    }
    let precision = frame.map_or(16, |f| f.precision);
    let values = if precision <= 8 && layout.allocated == 8 {
        Stored::Bytes(out.iter().map(|&v| (v & 0xFF) as u8).collect())
    } else if layout.allocated == 16 {
        Stored::Words(out)
    } else {
        return Err(Error::new(ErrorKind::Format, "the JPEG data and the header disagree about depth")
            .expected(format!("at most {} bits", layout.allocated))
            .found(precision.to_string()));
    };
    // The process transforms no colours: what the header says holds.
    Ok(Raw { values, photometric: layout.photometric })
}

fn subsampled() -> Error {
    Error::new(ErrorKind::Unsupported, "JPEG lossless with subsampled components is not read")
}

/// Bits looked up at once; longer codes are found length by length.
const FAST: u32 = 10;

/// A Huffman table (T.81 annex F.2.2.3).
struct Table {
    /// By the next [`FAST`] bits: length and category of the code they begin with; length 0 when it is longer.
    fast: Vec<(u8, u8)>,
    /// For each length: first code, number of codes, where their categories begin.
    lengths: [(u32, u32, usize); 17],
    categories: Vec<u8>,
}

fn read_tables(mut segment: &[u8], tables: &mut [Option<Table>; 4]) -> Result<()> {
    while let Some((&class, rest)) = segment.split_first() {
        let wrong = || damaged(WHAT, "a faulty Huffman table");
        let (counts, rest) = rest.split_first_chunk::<16>().ok_or_else(wrong)?;
        let total: usize = counts.iter().map(|&n| usize::from(n)).sum();
        let categories = rest.get(..total).ok_or_else(wrong)?;
        segment = rest.get(total..).unwrap_or_default();
        // Only tables of class 0 are used by this process.
        if class >> 4 != 0 {
            continue;
        }
        let slot = tables.get_mut(usize::from(class & 15)).ok_or_else(wrong)?;
        if categories.iter().any(|&c| c > 16) {
            return Err(wrong());
        }
        let mut table = Table { fast: vec![(0, 0); 1 << FAST], lengths: [(0, 0, 0); 17], categories: categories.to_vec() };
        let (mut code, mut first) = (0_u32, 0_usize);
        for (i, &count) in counts.iter().enumerate() {
            let length = i as u32 + 1;
            if code + u32::from(count) > 1 << length {
                return Err(wrong());
            }
            if let Some(l) = table.lengths.get_mut(i + 1) {
                *l = (code, u32::from(count), first);
            }
            for &category in categories.get(first..first + usize::from(count)).unwrap_or_default() {
                if length <= FAST {
                    let from = (code << (FAST - length)) as usize;
                    let span = 1_usize << (FAST - length);
                    table.fast.get_mut(from..from + span).unwrap_or_default().fill((length as u8, category));
                }
                code += 1;
            }
            first += usize::from(count);
            code <<= 1;
        }
        *slot = Some(table);
    }
    Ok(())
}

/// Bits of entropy-coded data, most significant first; the zero byte after FF is dropped, and a marker ends them.
struct Bits<'a> {
    data: &'a [u8],
    at: usize,
    held: u64,
    count: u32,
    /// Bits handed out beyond the end.
    over: u32,
}

impl<'a> Bits<'a> {
    const fn new(data: &'a [u8]) -> Self {
        Self { data, at: 0, held: 0, count: 0, over: 0 }
    }

    fn fill(&mut self) {
        while self.count <= 48 {
            let byte = match self.data.get(self.at) {
                Some(&0xFF) if self.data.get(self.at + 1) == Some(&0) => {
                    self.at += 2;
                    0xFF
                }
                // A marker, or a lone FF at the end: nothing more.
                Some(&0xFF) | None => {
                    self.over += 8;
                    0
                }
                Some(&b) => {
                    self.at += 1;
                    b
                }
            };
            self.held = self.held << 8 | u64::from(byte);
            self.count += 8;
        }
    }

    /// The next `n` bits (1 to 16), not taken yet.
    fn peek(&self, n: u32) -> u32 {
        ((self.held >> (self.count - n)) & ((1 << n) - 1)) as u32
    }

    fn take(&mut self, n: u32) {
        self.count -= n;
    }

    /// Whether more bits were taken than there were.
    fn exhausted(&self) -> bool {
        self.over > self.count
    }

    /// Goes on behind the next restart mark, dropping what is left of the byte.
    fn restart(&mut self) -> bool {
        if self.exhausted() {
            return false;
        }
        // Bytes already held but not used lie before the mark only if the data are damaged.
        match self.data.get(self.at..self.at + 2) {
            Some(&[0xFF, 0xD0..=0xD7]) => {
                self.at += 2;
                (self.held, self.count, self.over) = (0, 0, 0);
                true
            }
            _ => false,
        }
    }
}

struct Scan<'a> {
    /// Component number and table of each component in the scan.
    parts: Vec<(usize, &'a Table)>,
    predictor: u8,
    point: u32,
}

impl<'a> Scan<'a> {
    fn read(frame: &FrameHeader, segment: &[u8], tables: &'a [Option<Table>; 4]) -> Result<Self> {
        let wrong = || damaged(WHAT, "a faulty scan header");
        let (&count, rest) = segment.split_first().ok_or_else(wrong)?;
        let pairs = rest.get(..2 * usize::from(count)).ok_or_else(wrong)?;
        let Some(&[predictor, _, point]) = rest.get(2 * usize::from(count)..) else { return Err(wrong()) };
        let mut parts = Vec::new();
        for pair in pairs.as_chunks::<2>().0 {
            let component = frame.ids.iter().position(|&id| id == pair[0]).ok_or_else(wrong)?;
            let table = tables.get(usize::from(pair[1] >> 4)).and_then(Option::as_ref).ok_or_else(wrong)?;
            parts.push((component, table));
        }
        let point = u32::from(point & 15);
        if parts.is_empty() || !(1..=7).contains(&predictor) || point >= frame.precision {
            return Err(wrong());
        }
        Ok(Self { parts, predictor, point })
    }

    /// Decodes into `out`, where the components of a pixel are `step` apart from the next pixel's.
    fn decode(&self, layout: &PixelLayout, precision: u32, restart: usize, coded: &[u8], out: &mut [u16], step: usize) -> Result<()> {
        let columns = layout.columns as usize;
        let row = columns * step;
        let start = 1_u16 << (precision - self.point - 1);
        let short = || damaged(WHAT, "they end before the picture does");
        let mut bits = Bits::new(coded);
        let mut left = restart;
        // The row in which the prediction starts anew: the first, or the one after a restart mark.
        let mut first_row = 0;
        let mut anew = true;
        for y in 0..layout.rows as usize {
            for x in 0..columns {
                if restart > 0 && left == 0 {
                    if !bits.restart() {
                        return Err(short());
                    }
                    (left, first_row, anew) = (restart, y, true);
                }
                left = left.wrapping_sub(1);
                for &(component, table) in &self.parts {
                    let i = y * row + x * step + component;
                    let value = |back: usize| i.checked_sub(back).and_then(|j| out.get(j)).copied().unwrap_or(0);
                    let prediction = if anew {
                        start
                    } else if y == first_row {
                        value(step)
                    } else if x == 0 {
                        value(row)
                    } else {
                        predict(self.predictor, value(step), value(row), value(row + step))
                    };
                    let difference = difference(&mut bits, table).ok_or_else(|| damaged(WHAT, "a code that is in no table"))?;
                    if let Some(o) = out.get_mut(i) {
                        *o = prediction.wrapping_add(difference);
                    }
                }
                anew = false;
            }
            if bits.exhausted() {
                return Err(short());
            }
        }
        if self.point > 0 {
            for &(component, _) in &self.parts {
                out.iter_mut().skip(component).step_by(step).for_each(|v| *v <<= self.point);
            }
        }
        Ok(())
    }
}

/// Table H.1: from left, above, and above left.
fn predict(which: u8, a: u16, b: u16, c: u16) -> u16 {
    let half = |x: u16, y: u16| ((i32::from(x) - i32::from(y)) >> 1) as u16;
    match which {
        1 => a,
        2 => b,
        3 => c,
        4 => a.wrapping_add(b).wrapping_sub(c),
        5 => a.wrapping_add(half(b, c)),
        6 => b.wrapping_add(half(a, c)),
        _ => ((u32::from(a) + u32::from(b)) >> 1) as u16,
    }
}

/// One difference, modulo 2¹⁶ (H.1.2.2): a category and as many bits; category 16 is 32768 and has none.
fn difference(bits: &mut Bits<'_>, table: &Table) -> Option<u16> {
    bits.fill();
    let (mut length, mut category) = table.fast.get(bits.peek(FAST) as usize).copied()?;
    if length == 0 {
        for n in FAST + 1..=16 {
            let &(first, count, at) = table.lengths.get(n as usize)?;
            let past = bits.peek(n).wrapping_sub(first);
            if past < count {
                category = *table.categories.get(at + past as usize)?;
                length = n as u8;
                break;
            }
        }
        if length == 0 {
            return None;
        }
    }
    bits.take(u32::from(length));
    match u32::from(category) {
        0 => Some(0),
        16 => Some(0x8000),
        n => {
            let x = bits.peek(n);
            bits.take(n);
            // Values with a leading 0 are negative: x − (2ⁿ − 1).
            Some(if x >> (n - 1) == 0 { (x as u16).wrapping_sub(((1_u32 << n) - 1) as u16) } else { x as u16 })
        }
    }
}
