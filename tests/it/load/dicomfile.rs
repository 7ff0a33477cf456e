//! DICOM files made by hand for tests, byte by byte, so that wrong ones can be made too. It shares no code with the
//! library's reader or writer.

/// One element: group, element, VR, value.
pub type Element = (u16, u16, [u8; 2], Value);

/// A value, before it is laid out.
#[derive(Clone, Debug)]
pub enum Value {
    Text(String),
    Us(Vec<u16>),
    Ul(Vec<u32>),
    Fd(Vec<f64>),
    Ov(Vec<u64>),
    /// Bytes as they stand; the caller pads.
    Bytes(Vec<u8>),
    /// 16-bit words, in the byte order of the file.
    Words(Vec<u16>),
    /// Items of elements; with undefined lengths or defined ones.
    Sequence {
        items: Vec<Vec<Element>>,
        undefined: bool,
    },
    /// Offset table and fragments.
    Fragments {
        table: Vec<u32>,
        fragments: Vec<Vec<u8>>,
    },
    /// A header that claims this length, and no value.
    Claim(u32),
}

/// A file to be.
#[derive(Clone, Debug)]
pub struct DicomFile {
    pub syntax: &'static str,
    pub preamble: bool,
    pub elements: Vec<Element>,
}

pub const IMPLICIT: &str = "1.2.840.10008.1.2";
pub const EXPLICIT: &str = "1.2.840.10008.1.2.1";
pub const DEFLATED: &str = "1.2.840.10008.1.2.1.99";
pub const BIG: &str = "1.2.840.10008.1.2.2";
pub const RLE: &str = "1.2.840.10008.1.2.5";
pub const JPEG: &str = "1.2.840.10008.1.2.4.50";

/// The photometric interpretation and layout of a picture.
#[derive(Clone, Copy, Debug)]
pub struct Look {
    pub photometric: &'static str,
    pub samples: u16,
    pub allocated: u16,
    pub stored: u16,
    pub planar: u16,
}

impl Look {
    pub const fn grey(photometric: &'static str, allocated: u16, stored: u16) -> Self {
        Self { photometric, samples: 1, allocated, stored, planar: 0 }
    }
    pub const fn colour(photometric: &'static str, planar: u16) -> Self {
        Self { photometric, samples: 3, allocated: 8, stored: 8, planar }
    }
}

/// An ultrasound image of `columns` × `rows` with `frames` frames; pixel data are `pixels`.
pub fn ultrasound(syntax: &'static str, columns: u16, rows: u16, frames: u32, look: Look, pixels: Value) -> DicomFile {
    let t = |s: &str| Value::Text(s.to_owned());
    let us = |x: u16| Value::Us(vec![x]);
    let class = if frames > 1 { "1.2.840.10008.5.1.4.1.1.3.1" } else { "1.2.840.10008.5.1.4.1.1.6.1" };
    let vr = if look.allocated == 16 { *b"OW" } else { *b"OB" };
    let mut elements = vec![
        (0x0008, 0x0005, *b"CS", t("ISO_IR 192")),
        (0x0008, 0x0008, *b"CS", t("ORIGINAL\\PRIMARY\\ENDOVAGINAL\\0001")),
        (0x0008, 0x0016, *b"UI", t(class)),
        (0x0008, 0x0018, *b"UI", t("2.25.1001")),
        (0x0008, 0x0020, *b"DA", t("20260301")),
        (0x0008, 0x0060, *b"CS", t("US")),
        (0x0008, 0x0070, *b"LO", t("Invented Scanners")),
        (0x0010, 0x0010, *b"PN", t("INVENTED^Müller")),
        (0x0010, 0x0020, *b"LO", t("INV-7")),
        (0x0010, 0x0030, *b"DA", t("19900203")),
        (0x0020, 0x000D, *b"UI", t("2.25.2001")),
        (0x0020, 0x000E, *b"UI", t("2.25.3001")),
        (0x0028, 0x0002, *b"US", us(look.samples)),
        (0x0028, 0x0004, *b"CS", t(look.photometric)),
    ];
    if look.samples == 3 {
        elements.push((0x0028, 0x0006, *b"US", us(look.planar)));
    }
    if frames > 1 {
        elements.push((0x0028, 0x0008, *b"IS", t(&frames.to_string())));
    }
    elements.extend([
        (0x0028, 0x0010, *b"US", us(rows)),
        (0x0028, 0x0011, *b"US", us(columns)),
        (0x0028, 0x0100, *b"US", us(look.allocated)),
        (0x0028, 0x0101, *b"US", us(look.stored)),
        (0x0028, 0x0102, *b"US", us(look.stored - 1)),
        (0x0028, 0x0103, *b"US", us(0)),
        (0x7FE0, 0x0010, vr, pixels),
    ]);
    DicomFile { syntax, preamble: true, elements }
}

impl DicomFile {
    /// Puts an element in its place, over the one that is there.
    #[must_use]
    pub fn with(mut self, group: u16, element: u16, vr: &[u8; 2], value: Value) -> Self {
        self.elements.retain(|e| (e.0, e.1) != (group, element));
        let at = self.elements.partition_point(|e| (e.0, e.1) < (group, element));
        self.elements.insert(at, (group, element, *vr, value));
        self
    }

    /// Takes an element out.
    #[must_use]
    pub fn without(mut self, group: u16, element: u16) -> Self {
        self.elements.retain(|e| (e.0, e.1) != (group, element));
        self
    }

    /// The bytes of the file.
    pub fn bytes(&self) -> Vec<u8> {
        let mut out = Vec::new();
        if self.preamble {
            out.resize(128, 0);
            out.extend(b"DICM");
            let meta = Writer { explicit: true, big: false };
            let mut group = Vec::new();
            meta.element(&mut group, &(0x0002, 0x0010, *b"UI", Value::Text(self.syntax.to_owned())));
            meta.element(&mut out, &(0x0002, 0x0000, *b"UL", Value::Ul(vec![group.len() as u32])));
            out.extend(group);
        }
        let writer = Writer { explicit: self.syntax != IMPLICIT, big: self.syntax == BIG };
        let mut body = Vec::new();
        for e in &self.elements {
            writer.element(&mut body, e);
        }
        if self.syntax == DEFLATED {
            use std::io::Write;
            let mut z = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::default());
            z.write_all(&body).unwrap();
            body = z.finish().unwrap();
        }
        out.extend(body);
        out
    }
}

struct Writer {
    explicit: bool,
    big: bool,
}

impl Writer {
    fn two(&self, x: u16) -> [u8; 2] {
        if self.big { x.to_be_bytes() } else { x.to_le_bytes() }
    }

    fn four(&self, x: u32) -> [u8; 4] {
        if self.big { x.to_be_bytes() } else { x.to_le_bytes() }
    }

    fn element(&self, out: &mut Vec<u8>, (group, element, vr, value): &Element) {
        let (bytes, length) = self.value(value);
        out.extend(self.two(*group));
        out.extend(self.two(*element));
        if self.explicit {
            out.extend(vr);
            if matches!(vr, b"OB" | b"OW" | b"OV" | b"SQ" | b"UN" | b"UT" | b"OD" | b"OF" | b"OL") {
                out.extend([0, 0]);
                out.extend(self.four(length));
            } else {
                out.extend(self.two(length as u16));
            }
        } else {
            out.extend(self.four(length));
        }
        out.extend(bytes);
    }

    fn item(&self, out: &mut Vec<u8>, element: u16, length: u32, bytes: &[u8]) {
        out.extend(self.two(0xFFFE));
        out.extend(self.two(element));
        out.extend(self.four(length));
        out.extend(bytes);
    }

    fn value(&self, value: &Value) -> (Vec<u8>, u32) {
        let mut out = Vec::new();
        match value {
            Value::Text(t) => {
                out.extend(t.as_bytes());
                if out.len() % 2 == 1 {
                    out.push(if t.bytes().all(|b| b.is_ascii_digit() || b == b'.') { 0 } else { b' ' });
                }
            }
            Value::Us(v) | Value::Words(v) => v.iter().for_each(|x| out.extend(self.two(*x))),
            Value::Ul(v) => v.iter().for_each(|x| out.extend(self.four(*x))),
            Value::Fd(v) => v.iter().for_each(|x| out.extend(if self.big { x.to_be_bytes() } else { x.to_le_bytes() })),
            Value::Ov(v) => v.iter().for_each(|x| out.extend(if self.big { x.to_be_bytes() } else { x.to_le_bytes() })),
            Value::Bytes(b) => out.extend(b),
            Value::Sequence { items, undefined } => {
                for elements in items {
                    let mut inner = Vec::new();
                    elements.iter().for_each(|e| self.element(&mut inner, e));
                    if *undefined {
                        self.item(&mut inner, 0xE00D, 0, &[]);
                        self.item(&mut out, 0xE000, u32::MAX, &inner);
                    } else {
                        self.item(&mut out, 0xE000, inner.len() as u32, &inner);
                    }
                }
                if *undefined {
                    self.item(&mut out, 0xE0DD, 0, &[]);
                    return (out, u32::MAX);
                }
            }
            Value::Fragments { table, fragments } => {
                let table: Vec<u8> = table.iter().flat_map(|x| self.four(*x)).collect();
                self.item(&mut out, 0xE000, table.len() as u32, &table);
                for f in fragments {
                    let mut padded = f.clone();
                    padded.resize(f.len().next_multiple_of(2), 0);
                    self.item(&mut out, 0xE000, padded.len() as u32, &padded);
                }
                self.item(&mut out, 0xE0DD, 0, &[]);
                return (out, u32::MAX);
            }
            Value::Claim(n) => return (out, *n),
        }
        let n = out.len() as u32;
        (out, n)
    }
}

/// A region of tissue with these scales, cm per px, over a whole frame of `columns` × `rows`.
pub fn region(columns: u32, rows: u32, delta_x: f64, delta_y: f64) -> Vec<Element> {
    let us = |x: u16| Value::Us(vec![x]);
    let ul = |x: u32| Value::Ul(vec![x]);
    vec![
        (0x0018, 0x6012, *b"US", us(1)),
        (0x0018, 0x6014, *b"US", us(1)),
        (0x0018, 0x6016, *b"UL", ul(2)),
        (0x0018, 0x6018, *b"UL", ul(0)),
        (0x0018, 0x601A, *b"UL", ul(0)),
        (0x0018, 0x601C, *b"UL", ul(columns - 1)),
        (0x0018, 0x601E, *b"UL", ul(rows - 1)),
        (0x0018, 0x6024, *b"US", us(3)),
        (0x0018, 0x6026, *b"US", us(3)),
        (0x0018, 0x602C, *b"FD", Value::Fd(vec![delta_x])),
        (0x0018, 0x602E, *b"FD", Value::Fd(vec![delta_y])),
    ]
}

/// One frame in run lengths (PS3.5 annex G): a segment for each plane of bytes.
pub fn run_lengths(planes: &[Vec<u8>]) -> Vec<u8> {
    let mut segments = Vec::new();
    for plane in planes {
        let mut s = Vec::new();
        let mut rest = plane.as_slice();
        while let Some(&first) = rest.first() {
            let run = rest.iter().take(128).take_while(|&&b| b == first).count();
            if run > 1 {
                s.extend([(257 - run) as u8, first]);
                rest = &rest[run..];
            } else {
                let n = rest.len().min(5);
                s.push((n - 1) as u8);
                s.extend(&rest[..n]);
                rest = &rest[n..];
            }
        }
        s.resize(s.len().next_multiple_of(2), 0);
        segments.push(s);
    }
    let mut out = (segments.len() as u32).to_le_bytes().to_vec();
    let mut at = 64_u32;
    for s in &segments {
        out.extend(at.to_le_bytes());
        at += s.len() as u32;
    }
    out.resize(64, 0);
    segments.iter().for_each(|s| out.extend(s));
    out
}
