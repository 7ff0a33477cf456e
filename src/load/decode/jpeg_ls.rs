//! JPEG-LS, lossless and near-lossless (ITU-T T.87): 2 to 16 bits, one to three components, every interleaving.
//!
//! Our own: CharLS would put a C++ compiler and cmake into the build, and the Rust crates read one component only, or
//! trust what a header says. Names follow the standard's, so that annex A can be read beside this file.
//! Not read, and refused by name: mapping tables, point transforms, restart marks, the colour transforms that one vendor
//! added to the stream.

use super::segments::{EOI, FrameHeader, SOS, Segments, mark};
use super::{Raw, Stored, damaged};
use crate::dicom::image::PixelLayout;
use crate::error::{Error, ErrorKind, Result};

const WHAT: &str = "JPEG-LS";

pub(crate) fn decode(layout: &PixelLayout, data: &[u8]) -> Result<Raw> {
    let mut segments = Segments::new(WHAT, data)?;
    let components = layout.photometric.samples() as usize;
    let mut out = vec![0_u16; layout.pixels() * components];
    let mut frame: Option<FrameHeader> = None;
    let mut preset = Preset::default();
    let mut seen = vec![false; components];
    while seen.contains(&false) {
        let (code, segment) = segments.read()?;
        match code {
            0xF7 => frame = Some(FrameHeader::read(WHAT, WHAT, layout, segment, || unsupported("subsampled components"))?),
            0xF8 => preset = Preset::read(segment)?,
            0xDD if segment.iter().any(|b| *b != 0) => return Err(unsupported("restart marks")),
            0xE8 if segment.starts_with(b"mrfx") && segment.get(4).is_some_and(|t| *t != 0) => {
                return Err(unsupported("a colour transform"));
            }
            SOS => {
                let FrameHeader { precision, ids } = frame.as_ref().ok_or_else(|| damaged(WHAT, "a scan before the frame header"))?;
                let scan = ScanHeader::read(ids, segment)?;
                let coded = segments.entropy(|b| b >= 0x80);
                let parameters = Parameters::new(*precision, scan.near, &preset)?;
                let mut decoder = Decoder::new(parameters, coded);
                decoder.scan(&scan, layout.columns as usize, layout.rows as usize, components, &mut out)?;
                if !mark(&mut seen, scan.components.iter().copied()) {
                    return Err(damaged(WHAT, "a component that comes twice"));
                }
            }
            EOI => return Err(short()),
            0xC0..=0xC3 | 0xC5..=0xCF => return Err(unsupported("another process than JPEG-LS")),
            _ => {}
        }
    }
    let precision = frame.map_or(16, |f| f.precision);
    let values = if layout.allocated == 16 {
        Stored::Words(out)
    } else if precision <= 8 {
        Stored::Bytes(out.iter().map(|&v| (v & 0xFF) as u8).collect())
    } else {
        return Err(Error::new(ErrorKind::Format, "the JPEG-LS data and the header disagree about depth")
            .expected(format!("at most {} bits", layout.allocated))
            .found(precision.to_string()));
    };
    Ok(Raw { values, photometric: layout.photometric })
}

fn short() -> Error {
    damaged(WHAT, "they end before the picture does")
}

fn unsupported(what: &str) -> Error {
    Error::new(ErrorKind::Unsupported, format!("JPEG-LS with {what} is not read"))
        .remedy("Store the file again as Explicit VR Little Endian")
}

/// Preset coding parameters (C.2.4.1.1); 0 stands for the default.
#[derive(Clone, Copy, Default)]
struct Preset {
    maxval: i32,
    t: [i32; 3],
    reset: i32,
}

impl Preset {
    fn read(segment: &[u8]) -> Result<Self> {
        let Some((1, values)) = segment.split_first() else { return Err(unsupported("mapping tables or sizes beyond 65535")) };
        match *values.as_chunks::<2>().0 {
            [m, t1, t2, t3, r] => {
                let n = |b: [u8; 2]| i32::from(u16::from_be_bytes(b));
                Ok(Self { maxval: n(m), t: [n(t1), n(t2), n(t3)], reset: n(r) })
            }
            _ => Err(damaged(WHAT, "faulty preset parameters")),
        }
    }
}

struct ScanHeader {
    /// Component numbers in the order of the scan.
    components: Vec<usize>,
    near: i32,
    interleave: u8,
}

impl ScanHeader {
    fn read(ids: &[u8], segment: &[u8]) -> Result<Self> {
        let wrong = || damaged(WHAT, "a faulty scan header");
        let (&count, rest) = segment.split_first().ok_or_else(wrong)?;
        let pairs = rest.get(..2 * usize::from(count)).ok_or_else(wrong)?.as_chunks::<2>().0;
        let Some(&[near, interleave, point]) = rest.get(2 * usize::from(count)..) else { return Err(wrong()) };
        let components = pairs.iter().map(|p| ids.iter().position(|id| *id == p[0])).collect::<Option<Vec<_>>>().ok_or_else(wrong)?;
        if pairs.iter().any(|p| p[1] != 0) {
            return Err(unsupported("mapping tables"));
        }
        if point != 0 {
            return Err(unsupported("a point transform"));
        }
        let several = components.len() > 1;
        if components.is_empty() || components.len() > 3 || interleave > 2 || (several && interleave == 0) {
            return Err(wrong());
        }
        Ok(Self { components, near: i32::from(near), interleave: if several { interleave } else { 0 } })
    }
}

/// A.1, A.2.1 and C.2.4.1.1.1.
struct Parameters {
    maxval: i32,
    near: i32,
    range: i32,
    qbpp: u32,
    limit: u32,
    reset: i32,
    /// Quantized gradient of a difference d at d + maxval, from −4 to 4.
    quantized: Vec<i8>,
}

impl Parameters {
    fn new(precision: u32, near: i32, preset: &Preset) -> Result<Self> {
        let full = (1_i32 << precision) - 1;
        let maxval = if preset.maxval == 0 { full } else { preset.maxval };
        if maxval > full || maxval < 1 || near > 255.min(maxval / 2) {
            return Err(damaged(WHAT, "coding parameters out of range"));
        }
        let [t1, t2, t3] = thresholds(maxval, near, preset.t)?;
        let reset = if preset.reset == 0 { 64 } else { preset.reset };
        if reset < 3 || reset > 255.max(maxval) {
            return Err(damaged(WHAT, "coding parameters out of range"));
        }
        let range = (maxval + 2 * near) / (2 * near + 1) + 1;
        let bits = |x: i32| if x <= 1 { 0 } else { 32 - (x - 1).leading_zeros() };
        let bpp = bits(maxval + 1).max(2);
        let quantize = |d: i32| -> i8 {
            let size = match d.abs() {
                a if a <= near => 0,
                a if a < t1 => 1,
                a if a < t2 => 2,
                a if a < t3 => 3,
                _ => 4,
            };
            if d < 0 { -size } else { size }
        };
        let quantized = (-maxval..=maxval).map(quantize).collect();
        Ok(Self { maxval, near, range, qbpp: bits(range), limit: 2 * (bpp + bpp.max(8)), reset, quantized })
    }
}

fn thresholds(maxval: i32, near: i32, given: [i32; 3]) -> Result<[i32; 3]> {
    let basic = if maxval >= 128 {
        let factor = (maxval.min(4095) + 128) / 256;
        [factor + 2 + 3 * near, factor * 4 + 3 + 5 * near, factor * 17 + 4 + 7 * near]
    } else {
        let factor = 256 / (maxval + 1);
        [(3 / factor + 3 * near).max(2), (7 / factor + 5 * near).max(3), (21 / factor + 7 * near).max(4)]
    };
    let mut least = near + 1;
    let mut out = [0; 3];
    for ((o, g), b) in out.iter_mut().zip(given).zip(basic) {
        *o = if g != 0 {
            g
        } else if b > maxval || b < least {
            least
        } else {
            b
        };
        if *o < least || *o > maxval {
            return Err(damaged(WHAT, "coding parameters out of range"));
        }
        least = *o;
    }
    Ok(out)
}

/// Bits, most significant first; after an FF the next byte carries 7 (A.1, bit stuffing).
struct Bits<'a> {
    data: &'a [u8],
    at: usize,
    after_ff: bool,
    /// The next bits, left-aligned.
    held: u64,
    count: u32,
    over: u32,
}

impl Bits<'_> {
    /// Makes at least 48 bits ready; beyond the end they are zeros, and counted.
    fn fill(&mut self) {
        while self.count <= 56 {
            let n = if self.after_ff { 7 } else { 8 };
            let byte = match self.data.get(self.at) {
                Some(&b) => {
                    self.at += 1;
                    self.after_ff = b == 0xFF;
                    u64::from(if n == 7 { b & 0x7F } else { b })
                }
                None => {
                    self.after_ff = false;
                    self.over += n;
                    0
                }
            };
            self.held |= byte << (64 - n - self.count);
            self.count += n;
        }
    }

    /// The next `n` bits, 0 to 24.
    fn read(&mut self, n: u32) -> i32 {
        if self.count < n {
            self.fill();
        }
        if n == 0 {
            return 0;
        }
        let x = (self.held >> (64 - n)) as i32;
        self.drop(n);
        x
    }

    fn drop(&mut self, n: u32) {
        self.held = self.held.checked_shl(n).unwrap_or(0);
        self.count -= n;
    }

    /// The number of zero bits before the next 1, which is taken too; `most` is the longest that is allowed.
    fn zeros(&mut self, most: u32) -> Option<u32> {
        let mut total = 0;
        loop {
            if self.count < 32 {
                self.fill();
            }
            let n = self.held.leading_zeros();
            if n < self.count {
                self.drop(n + 1);
                total += n;
                return (total <= most).then_some(total);
            }
            total += self.count;
            let all = self.count;
            self.held = 0;
            self.count -= all;
            if total > most {
                return None;
            }
        }
    }

    fn exhausted(&self) -> bool {
        self.over > self.count
    }
}

/// A context of regular mode (A.2).
#[derive(Clone, Copy)]
struct Context {
    a: i32,
    b: i32,
    c: i32,
    n: i32,
}

/// A context of run interruption (A.7.2).
#[derive(Clone, Copy)]
struct RunContext {
    a: i32,
    n: i32,
    nn: i32,
}

/// Table A.2's J: the order of the run-length codes.
const J: [u32; 32] = [0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 5, 5, 6, 6, 7, 7, 8, 9, 10, 11, 12, 13, 14, 15];

/// No error between two samples of 16 bits is larger.
const MOST_ERROR: i32 = 65_535;

struct Decoder<'a> {
    p: Parameters,
    bits: Bits<'a>,
    contexts: Vec<Context>,
    runs: [RunContext; 2],
}

impl<'a> Decoder<'a> {
    fn new(p: Parameters, data: &'a [u8]) -> Self {
        let a = ((p.range + 32) / 64).max(2);
        Self {
            contexts: vec![Context { a, b: 0, c: 0, n: 1 }; 365],
            runs: [RunContext { a, n: 1, nn: 0 }; 2],
            bits: Bits { data, at: 0, after_ff: false, held: 0, count: 0, over: 0 },
            p,
        }
    }

    /// Decodes one scan into `out`, whose pixels are `step` values apart.
    fn scan(&mut self, scan: &ScanHeader, columns: usize, rows: usize, step: usize, out: &mut [u16]) -> Result<()> {
        // Each line has one value more on either side: what is left of the first pixel, and right of the last (A.2.1).
        let blank = || vec![0_i32; columns + 2];
        let n = scan.components.len();
        let (mut above, mut lines): (Vec<_>, Vec<_>) = (0..n).map(|_| (blank(), blank())).unzip();
        let mut run_index = vec![0_usize; n];
        for y in 0..rows {
            for (line, above) in lines.iter_mut().zip(&mut above) {
                if let (Some(first), Some(&up)) = (line.first_mut(), above.get(1)) {
                    *first = up;
                }
                if let Some(&last) = above.get(columns)
                    && let Some(edge) = above.get_mut(columns + 1)
                {
                    *edge = last;
                }
            }
            if scan.interleave == 2 {
                let index = run_index.first_mut().ok_or_else(short)?;
                self.together(&above, &mut lines, columns, index)?;
            } else {
                for ((line, above), index) in lines.iter_mut().zip(&above).zip(&mut run_index) {
                    self.line(above, line, columns, index)?;
                }
            }
            if self.bits.exhausted() {
                return Err(short());
            }
            let row = out.get_mut(y * columns * step..(y + 1) * columns * step).unwrap_or_default();
            for (&component, line) in scan.components.iter().zip(&lines) {
                let to = row.iter_mut().skip(component).step_by(step);
                to.zip(line.iter().skip(1)).for_each(|(o, &v)| *o = v as u16);
            }
            std::mem::swap(&mut above, &mut lines);
        }
        Ok(())
    }

    /// One line of one component.
    fn line(&mut self, above: &[i32], line: &mut [i32], columns: usize, run_index: &mut usize) -> Result<()> {
        let mut x = 1;
        let (mut rc, mut rb) = (above.first().copied().unwrap_or(0), above.get(1).copied().unwrap_or(0));
        let mut ra = line.first().copied().unwrap_or(0);
        while x <= columns {
            let rd = above.get(x + 1).copied().unwrap_or(0);
            let q = self.context(ra, rb, rc, rd);
            if q != 0 {
                ra = self.regular(q, ra, rb, rc)?;
                if let Some(o) = line.get_mut(x) {
                    *o = ra;
                }
                (rc, rb) = (rb, rd);
                x += 1;
                continue;
            }
            let length = self.run_length(columns + 1 - x, run_index)?;
            line.get_mut(x..x + length).unwrap_or_default().fill(ra);
            x += length;
            if x > columns {
                break;
            }
            rb = above.get(x).copied().unwrap_or(0);
            ra = self.interruption(ra, rb, *run_index)?;
            if let Some(o) = line.get_mut(x) {
                *o = ra;
            }
            *run_index = run_index.saturating_sub(1);
            (rc, rb) = (rb, above.get(x + 1).copied().unwrap_or(0));
            x += 1;
        }
        Ok(())
    }

    /// One line of all components, pixel by pixel (sample interleaving): a run is one that all components share.
    fn together(&mut self, above: &[Vec<i32>], lines: &mut [Vec<i32>], columns: usize, run_index: &mut usize) -> Result<()> {
        let at = |l: &[i32], x: usize| l.get(x).copied().unwrap_or(0);
        let mut x = 1;
        while x <= columns {
            let mut q = [0; 3];
            for ((q, up), line) in q.iter_mut().zip(above).zip(lines.iter()) {
                *q = self.context(at(line, x - 1), at(up, x), at(up, x - 1), at(up, x + 1));
            }
            if q != [0; 3] {
                for ((&q, up), line) in q.iter().zip(above).zip(lines.iter_mut()) {
                    let value = self.regular(q, at(line, x - 1), at(up, x), at(up, x - 1))?;
                    if let Some(o) = line.get_mut(x) {
                        *o = value;
                    }
                }
                x += 1;
                continue;
            }
            let length = self.run_length(columns + 1 - x, run_index)?;
            for line in lines.iter_mut() {
                let ra = at(line, x - 1);
                line.get_mut(x..x + length).unwrap_or_default().fill(ra);
            }
            x += length;
            if x > columns {
                break;
            }
            for (up, line) in above.iter().zip(lines.iter_mut()) {
                let (ra, rb) = (at(line, x - 1), at(up, x));
                let error = self.interruption_error(0, *run_index)?;
                let value = self.restore(rb, if rb < ra { -error } else { error });
                if let Some(o) = line.get_mut(x) {
                    *o = value;
                }
            }
            *run_index = run_index.saturating_sub(1);
            x += 1;
        }
        Ok(())
    }

    /// The signed context number of a pixel (A.3); 0 means run mode.
    fn context(&self, ra: i32, rb: i32, rc: i32, rd: i32) -> i32 {
        let q = |d: i32| i32::from(self.p.quantized.get((d + self.p.maxval) as usize).copied().unwrap_or(0));
        (q(rd - rb) * 9 + q(rb - rc)) * 9 + q(rc - ra)
    }

    /// A pixel in regular mode (A.4 to A.6).
    fn regular(&mut self, q: i32, ra: i32, rb: i32, rc: i32) -> Result<i32> {
        let sign = if q < 0 { -1 } else { 1 };
        let (low, high) = if ra < rb { (ra, rb) } else { (rb, ra) };
        let median = if rc >= high {
            low
        } else if rc <= low {
            high
        } else {
            ra + rb - rc
        };
        let Self { p, bits, contexts, .. } = self;
        let ctx = contexts.get_mut(q.unsigned_abs() as usize).ok_or_else(short)?;
        let predicted = (median + sign * ctx.c).clamp(0, p.maxval);
        let k = order(ctx.n, ctx.a);
        let mapped = golomb(bits, k, p.limit, p.qbpp)?;
        let error = if p.near == 0 && k == 0 && 2 * ctx.b <= -ctx.n {
            if mapped & 1 == 1 { (mapped - 1) / 2 } else { -(mapped / 2) - 1 }
        } else if mapped & 1 == 0 {
            mapped / 2
        } else {
            -((mapped + 1) / 2)
        };
        if error.abs() > MOST_ERROR {
            return Err(damaged(WHAT, "an error that is too large"));
        }
        // A.6.1 and A.6.2
        ctx.b += error * (2 * p.near + 1);
        ctx.a = ctx.a.saturating_add(error.abs());
        if ctx.n == p.reset {
            ctx.a >>= 1;
            ctx.b >>= 1;
            ctx.n >>= 1;
        }
        ctx.n += 1;
        if ctx.b <= -ctx.n {
            ctx.c = (ctx.c - 1).max(-128);
            ctx.b = (ctx.b + ctx.n).max(1 - ctx.n);
        } else if ctx.b > 0 {
            ctx.c = (ctx.c + 1).min(127);
            ctx.b = (ctx.b - ctx.n).min(0);
        }
        Ok(self.restore(predicted, sign * error))
    }

    /// The value that a prediction and its error give (A.4.5).
    fn restore(&self, predicted: i32, error: i32) -> i32 {
        let p = &self.p;
        let wide = 2 * p.near + 1;
        let mut x = predicted + error * wide;
        if x < -p.near {
            x += p.range * wide;
        } else if x > p.maxval + p.near {
            x -= p.range * wide;
        }
        x.clamp(0, p.maxval)
    }

    /// How long a run is, at most `left` pixels (A.7.1).
    fn run_length(&mut self, left: usize, run_index: &mut usize) -> Result<usize> {
        let mut length = 0;
        let order = |i: usize| J.get(i).copied().unwrap_or(15);
        while self.bits.read(1) == 1 {
            let whole = 1_usize << order(*run_index);
            let part = whole.min(left - length);
            length += part;
            if part == whole {
                *run_index = (*run_index + 1).min(31);
            }
            if length == left {
                return Ok(length);
            }
        }
        length += self.bits.read(order(*run_index)) as usize;
        if length > left { Err(damaged(WHAT, "a run that is longer than its line")) } else { Ok(length) }
    }

    /// The pixel that ends a run (A.7.2).
    fn interruption(&mut self, ra: i32, rb: i32, run_index: usize) -> Result<i32> {
        if (ra - rb).abs() <= self.p.near {
            let error = self.interruption_error(1, run_index)?;
            return Ok(self.restore(ra, error));
        }
        let error = self.interruption_error(0, run_index)?;
        Ok(self.restore(rb, if rb < ra { -error } else { error }))
    }

    fn interruption_error(&mut self, kind: i32, run_index: usize) -> Result<i32> {
        let Self { p, bits, runs, .. } = self;
        let ctx = runs.get_mut(kind as usize).ok_or_else(short)?;
        let k = order(ctx.n, if kind == 1 { ctx.a + (ctx.n >> 1) } else { ctx.a });
        let limit = p.limit - J.get(run_index).copied().unwrap_or(15) - 1;
        let mapped = golomb(bits, k, limit, p.qbpp)?;
        let sum = mapped + kind;
        let odd = sum & 1 == 1;
        let size = (sum + 1) / 2;
        if size > MOST_ERROR {
            return Err(damaged(WHAT, "an error that is too large"));
        }
        let error = if (k != 0 || 2 * ctx.nn >= ctx.n) == odd { -size } else { size };
        if error < 0 {
            ctx.nn += 1;
        }
        ctx.a = ctx.a.saturating_add((mapped + 1 - kind) >> 1);
        if ctx.n == p.reset {
            ctx.a >>= 1;
            ctx.n >>= 1;
            ctx.nn >>= 1;
        }
        ctx.n += 1;
        Ok(error)
    }
}

/// The order of the Golomb code: the least k with n · 2ᵏ ≥ a (A.5.1).
fn order(n: i32, a: i32) -> u32 {
    let mut k = 0;
    while k < 24 && n << k < a {
        k += 1;
    }
    k
}

/// A value in the limited-length Golomb code (A.5.3).
fn golomb(bits: &mut Bits<'_>, k: u32, limit: u32, qbpp: u32) -> Result<i32> {
    let most = limit.saturating_sub(qbpp + 1);
    let zeros = bits.zeros(most).ok_or_else(|| damaged(WHAT, "a code that is too long"))?;
    if zeros < most { Ok((zeros << k) as i32 + bits.read(k)) } else { Ok(bits.read(qbpp) + 1) }
}
