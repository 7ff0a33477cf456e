//! Damaged files from every syntax: cut short, bits turned, fields set to telling values, pieces repeated or left out.
//! Whatever comes of it, there is no panic, no file takes longer than two seconds, and memory stays within the limit.
//!
//! `OSSPAN_MUTANTS` sets how many (2 000 when absent); `tests/fuzz/run mutants N` runs N. The seeds are in `tests/seeds`.
//! It is a test binary of its own because it measures the memory of the whole process.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use osspan::ErrorKind;
use osspan::load::StoredFile;
use peak_alloc::PeakAlloc;

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

/// Most bytes that reading one of these files may take above what was in use before. Seeds hold 36 × 34 px; a mutant may
/// claim more, but never so much that its frame would fit no screen.
const MOST_BYTES: usize = 64 * 1024 * 1024;
const LONGEST: Duration = Duration::from_secs(2);

/// Numbers that a fixed seed gives (splitmix64).
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

/// Values at which declared lengths and counts go wrong.
const TELLING: [u64; 14] = [0, 1, 2, 3, 7, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 0x7FFF_FFFF, 0xFFFF_FFFE, 0xFFFF_FFFF, 0x0100_0000, 0x0001_0000];

fn mutate(seed: &[u8], numbers: &mut Numbers) -> Vec<u8> {
    let mut bytes = seed.to_vec();
    for _ in 0..=numbers.below(3) {
        if bytes.is_empty() {
            break;
        }
        // The first 132 bytes are preamble and mark: nothing to learn there.
        let from = if bytes.len() > 200 && numbers.below(50) != 0 { 132 } else { 0 };
        let at = from + numbers.below(bytes.len() - from);
        match numbers.below(8) {
            0 => bytes.truncate(at),
            1 | 2 => {
                for _ in 0..=numbers.below(8) {
                    let i = from + numbers.below(bytes.len() - from);
                    bytes[i] ^= 1 << numbers.below(8);
                }
            }
            3 | 4 => {
                let at = at & !1;
                let width = [1, 2, 4][numbers.below(3)];
                let value = TELLING[numbers.below(TELLING.len())];
                let laid =
                    if numbers.below(4) == 0 { value.to_be_bytes()[8 - width..].to_vec() } else { value.to_le_bytes()[..width].to_vec() };
                bytes.iter_mut().skip(at).zip(laid).for_each(|(b, v)| *b = v);
            }
            5 => bytes[at] = numbers.next() as u8,
            6 => {
                let end = (at + numbers.below(64)).min(bytes.len());
                bytes.drain(at..end);
            }
            _ => {
                let end = (at + numbers.below(64)).min(bytes.len());
                let piece = bytes[at..end].to_vec();
                let to = from + numbers.below(bytes.len() - from);
                bytes.splice(to..to, piece);
            }
        }
    }
    bytes
}

fn seeds() -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/seeds");
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    paths.retain(|p| p.extension().is_some_and(|e| e == "dcm"));
    paths.sort();
    paths.into_iter().map(|p| (p.file_stem().unwrap().to_string_lossy().into_owned(), std::fs::read(&p).unwrap())).collect()
}

/// Opens a file and decodes up to three frames; what came of it, in a word.
fn read(path: &Path) -> &'static str {
    let result = StoredFile::open(path).and_then(|f| {
        for n in 1..=f.frame_count().min(3) {
            let frame = f.frame(n)?;
            assert_eq!(frame.to_rgba8().len(), 4 * frame.width as usize * frame.height as usize, "a frame of another size than it says");
        }
        Ok(())
    });
    match result {
        Ok(()) => "read",
        Err(e) => match e.kind() {
            ErrorKind::Format => "format",
            ErrorKind::Unsupported => "unsupported",
            ErrorKind::Limit => "limit",
            other => panic!("{other:?}: {e}"),
        },
    }
}

#[test]
fn damaged_files_are_refused_quickly_in_bounded_memory_without_a_panic() {
    let count: usize = std::env::var("OSSPAN_MUTANTS").ok().map_or(2_000, |n| n.parse().unwrap());
    let first: u64 = std::env::var("OSSPAN_MUTANTS_SEED").ok().map_or(1, |n| n.parse().unwrap());
    let seeds = seeds();
    assert!(seeds.len() >= 20, "{} seeds", seeds.len());
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("mutant.dcm");
    for (name, seed) in &seeds {
        std::fs::write(&path, seed).unwrap();
        assert_eq!(read(&path), "read", "{name} as it is");
    }
    let mut tally: BTreeMap<&str, usize> = BTreeMap::new();
    let (mut slowest, mut largest) = (Duration::ZERO, 0);
    for i in 0..count {
        let (name, seed) = &seeds[i % seeds.len()];
        let bytes = mutate(seed, &mut Numbers(first.wrapping_mul(1 << 32).wrapping_add(i as u64)));
        std::fs::write(&path, &bytes).unwrap();
        let before = MEMORY.current_usage();
        MEMORY.reset_peak_usage();
        let started = Instant::now();
        let outcome = std::panic::catch_unwind(|| read(&path));
        let took = started.elapsed();
        let taken = MEMORY.peak_usage().saturating_sub(before);
        let kept = || {
            let kept = std::env::temp_dir().join(format!("osspan-mutant-{first}-{i}.dcm"));
            std::fs::write(&kept, &bytes).unwrap();
            format!("mutant {i} of {name}, kept as {}", kept.display())
        };
        let Ok(outcome) = outcome else { panic!("a panic on {}", kept()) };
        assert!(took < LONGEST, "{took:?} for {}", kept());
        assert!(taken < MOST_BYTES, "{taken} bytes for {}", kept());
        *tally.entry(outcome).or_default() += 1;
        slowest = slowest.max(took);
        largest = largest.max(taken);
    }
    println!("{count} mutants of {} seeds: {tally:?}; slowest {slowest:.0?}, most memory {} kB", seeds.len(), largest / 1024);
    assert!(tally.get("format").copied().unwrap_or(0) > count / 10, "hardly any mutant was damaged: {tally:?}");
}
