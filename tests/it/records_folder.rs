//! Folders of records: what is lost, changed or forked shows; what is sought is found; old versions stay readable.

use std::fs;
use std::path::{Path, PathBuf};

use osspan::ErrorKind;
use osspan::record::{Check, Checkpoint, Index, Query, ReadingRecord, Store, verify_text};

use crate::invented::Case;

/// Three records of one frame in a row, then two that both follow the last, and one of another frame.
fn family(store: &Store) -> Vec<ReadingRecord> {
    let mut case = Case::plain();
    let mut saved: Vec<ReadingRecord> = Vec::new();
    let save = |number: u64, follows: Vec<String>, case: &mut Case, saved: &mut Vec<ReadingRecord>| {
        let mut record = case.numbered(number, follows).unwrap();
        if number < 5 {
            record.frame.sha256 = "ab".repeat(32);
            record.frame.frame_number = 1;
            record.content_sha256 = record.digest().unwrap();
        }
        store.save(&record).unwrap();
        saved.push(record);
    };
    save(0, vec![], &mut case, &mut saved);
    for n in 1..3 {
        let follows = vec![saved[n as usize - 1].id().to_owned()];
        save(n, follows, &mut case, &mut saved);
    }
    let seen = store.heads(&saved[0].frame).unwrap();
    save(3, seen.clone(), &mut case, &mut saved);
    save(4, seen, &mut case, &mut saved);
    save(5, vec![], &mut case, &mut saved);
    saved
}

fn file(dir: &Path, record: &ReadingRecord) -> PathBuf {
    dir.join(format!("reading-{}.json", &record.id()[..20]))
}

fn differences(store: &Store) -> Vec<String> {
    let mut found = Vec::new();
    let totals = store
        .verify(None, &mut |v| {
            match &v.check {
                Ok(Check { differences, .. }) => found.extend(differences.iter().map(|d| d.what.clone())),
                Err(e) => found.push(e.message()),
            }
            Ok(())
        })
        .unwrap();
    assert_eq!(totals.bad > 0, !found.is_empty());
    found
}

#[test]
fn two_writers_may_fork_and_both_stand_until_one_record_follows_both() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    let saved = family(&store);
    let mut heads = store.heads(&saved[0].frame).unwrap();
    heads.sort();
    let mut expected = [saved[3].id().to_owned(), saved[4].id().to_owned()];
    expected.sort();
    assert_eq!(heads, expected);
    let mut settled = Case::plain().record().unwrap();
    settled.follows = heads;
    // Saved, by its clock, long before those it follows.
    settled.saved_at = "1999-01-01T00:00:00+00:00".into();
    settled.content_sha256 = settled.digest().unwrap();
    store.save(&settled).unwrap();
    assert_eq!(store.heads(&saved[0].frame).unwrap(), [settled.id().to_owned()]);
    assert!(differences(&store).is_empty());
}

#[test]
fn an_earlier_record_that_is_removed_or_changed_is_missed() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    let saved = family(&store);
    assert!(differences(&store).is_empty());
    let gone = file(dir.path(), &saved[1]);
    let text = fs::read(&gone).unwrap();
    fs::remove_file(&gone).unwrap();
    assert_eq!(differences(&store), ["an earlier record that this one follows"]);
    fs::write(&gone, &text).unwrap();
    assert!(differences(&store).is_empty());
    // A forger who refreshes the digest makes another record; the one that follows it misses the first.
    let mut forged = saved[1].clone();
    forged.reader = "Somebody else".into();
    forged.content_sha256 = forged.digest().unwrap();
    fs::write(&gone, forged.to_json().unwrap()).unwrap();
    assert_eq!(differences(&store), ["an earlier record that this one follows"]);
    // One record twice, in two folders, is no difference.
    fs::write(&gone, &text).unwrap();
    fs::create_dir(dir.path().join("copy")).unwrap();
    fs::write(dir.path().join("copy/same.json"), &text).unwrap();
    assert!(differences(&store).is_empty());
}

#[test]
fn a_checkpoint_kept_elsewhere_misses_the_newest_record() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    let saved = family(&store);
    let seed = [7; 32];
    let made = Checkpoint::of(&store.index().unwrap(), "2031-03-14T10:00:00+01:00".into(), &seed).unwrap();
    assert_eq!((made.records, made.heads.len()), (6, 3));
    let text = made.to_json().unwrap();
    let read = Checkpoint::from_json(&text).unwrap();
    assert_eq!(read, made);
    assert_eq!(read.key, Checkpoint::public_key(&seed));

    let lost = |store: &Store| {
        let totals = store.verify(None, &mut |_| Ok(())).unwrap();
        read.heads.iter().filter(|id| !totals.holds(id)).count()
    };
    assert_eq!(lost(&store), 0);
    fs::remove_file(file(dir.path(), &saved[5])).unwrap();
    assert!(differences(&store).is_empty(), "nothing else can see it");
    assert_eq!(lost(&store), 1);

    // A list that was cut short to hide the loss no longer bears its signature.
    let cut = text.replace(&format!("\"{}\",", saved[5].id()), "").replace(&format!(",\n    \"{}\"", saved[5].id()), "");
    assert_ne!(cut, text);
    assert!(
        Checkpoint::from_json(&cut).is_err_and(|e| e.kind() == ErrorKind::Record && e.message().contains("changed after it was signed"))
    );
    let other_key = text.replace(&read.key, &Checkpoint::public_key(&[8; 32]));
    assert!(Checkpoint::from_json(&other_key).is_err());
    fs::write(dir.path().join("half.json"), "{").unwrap();
    assert!(Checkpoint::of(&store.index().unwrap(), "x".into(), &seed).is_err_and(|e| e.kind() == ErrorKind::Record));
}

#[test]
fn finding_narrows_by_every_question() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path().join("records"));
    let mut case = Case::plain();
    let records: Vec<ReadingRecord> = (0..64).map(|n| case.numbered(n, vec![]).unwrap()).collect();
    for (n, record) in records.iter().enumerate() {
        Store::at(dir.path().join(format!("records/{}", n / 10))).save(record).unwrap();
    }
    let index = store.index().unwrap();
    assert_eq!(index.entries().len(), 64);
    let ids = |q: Query| {
        let mut found: Vec<String> = index.find(&q).iter().map(|e| e.id()).collect();
        found.sort();
        found
    };
    let expected = |of: &dyn Fn(usize, &ReadingRecord) -> bool| {
        let mut ids: Vec<String> = records.iter().enumerate().filter(|(n, r)| of(*n, r)).map(|(_, r)| r.id().to_owned()).collect();
        ids.sort();
        ids
    };
    let key = records[20].patient.key().unwrap();
    for who in ["INV-1", &key] {
        assert_eq!(ids(Query { patient: Some(who.into()), ..Query::default() }), expected(&|n, _| n / 16 == 1));
    }
    assert!(ids(Query { patient: Some("INV".into()), ..Query::default() }).is_empty(), "the whole number or nothing");
    let day = |n: usize| records[n].context.exam_date;
    assert_eq!(ids(Query { from: day(10), to: day(12), ..Query::default() }), expected(&|n, _| (10..=12).contains(&n)));
    assert_eq!(ids(Query { reader: Some("owusu".into()), ..Query::default() }), expected(&|n, _| n % 4 == 1));
    let near = expected(&|_, r| r.headline.starts_with("Edge 1"));
    assert!(!near.is_empty() && near.len() < 64);
    assert_eq!(ids(Query { finding: Some("EDGE 1".into()), ..Query::default() }), near);
    let start = records[0].finding_words.get(..18).unwrap().to_lowercase();
    let same = expected(&|_, r| r.finding_words.to_lowercase().contains(&start));
    assert_eq!(ids(Query { finding: Some(start.to_uppercase()), ..Query::default() }), same);
    assert_eq!(ids(Query { frame: Some(records[9].frame.sha256.clone()), ..Query::default() }), [records[9].id().to_owned()]);
    assert_eq!(ids(Query { id: Some(records[9].id()[..12].into()), ..Query::default() }), [records[9].id().to_owned()]);
    let found = index.find(&Query { id: Some(records[9].id().into()), ..Query::default() });
    assert_eq!(store.open(found[0]).unwrap().record, records[9]);
}

#[test]
fn the_index_is_made_anew_whenever_it_disagrees_with_the_files() {
    let dir = tempfile::tempdir().unwrap();
    let (records, cache) = (dir.path().join("records"), dir.path().join("index/cache"));
    let store = Store::at(&records).with_index(&cache);
    let saved = family(&store);
    let open = || Index::open(&records, Some(&cache)).unwrap();
    let first = open();
    assert_eq!((first.entries().len(), open().files_read()), (6, 0));

    // A file more, a file less, a file changed: only what is new is read, and the answer is that of the files.
    let mut case = Case::plain();
    store.save(&case.numbered(77, vec![]).unwrap()).unwrap();
    fs::remove_file(file(&records, &saved[5])).unwrap();
    let mut changed = saved[4].clone();
    changed.reader = "Somebody else".into();
    changed.content_sha256 = changed.digest().unwrap();
    fs::write(file(&records, &saved[4]), changed.to_json().unwrap()).unwrap();
    let again = open();
    assert_eq!((again.entries().len(), again.files_read()), (6, 2));
    assert_eq!(again.entries(), Index::open(&records, None).unwrap().entries());
    assert_eq!(open().files_read(), 0);

    // A damaged, cut or foreign cache costs time, nothing else.
    let good = fs::read(&cache).unwrap();
    let mut flipped = good.clone();
    *flipped.last_mut().unwrap() ^= 1;
    for bad in [&flipped[..], &good[..good.len() / 2], &good[..3], b"something else", b""] {
        fs::write(&cache, bad).unwrap();
        let made = open();
        assert_eq!((made.files_read(), made.entries()), (6, again.entries()));
    }
    fs::write(records.join("half.json"), "{").unwrap();
    let with_damage = open();
    assert_eq!((with_damage.entries().len(), with_damage.unreadable().len()), (6, 1));
}

#[cfg(unix)]
#[test]
fn the_index_is_private_and_names_nobody() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let cache = dir.path().join("index/cache");
    let store = Store::at(dir.path().join("records")).with_index(&cache);
    family(&store);
    store.index().unwrap();
    assert_eq!(fs::metadata(&cache).unwrap().permissions().mode() & 0o077, 0);
    let bytes = fs::read(&cache).unwrap();
    for secret in ["Invented", "Ada", "INV-0"] {
        assert!(!bytes.windows(secret.len()).any(|w| w == secret.as_bytes()), "{secret}");
    }
}

/// One file of every version ever written. They are read as they are, never rewritten, and still verify.
#[test]
fn records_of_every_version_are_read_as_they_stand() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/records");
    let text = fs::read_to_string(dir.join("v1.json")).unwrap();
    let (record, check) = verify_text(&text, None).unwrap();
    assert_eq!(record.schema, "osspan-reading/1");
    assert!(check.differences.is_empty(), "{check:?}");
    assert!(check.unchecked.iter().all(|u| u.contains("version 1 of the rules")), "{check:?}");
    // Of the sample exam, with further landmarks, checklist, exam values and the scale's facts.
    let text = fs::read_to_string(dir.join("v2.json")).unwrap();
    let (record, check) = verify_text(&text, None).unwrap();
    assert_eq!(record.schema, "osspan-reading/2");
    assert!(check.differences.is_empty() && check.unchecked.is_empty(), "{check:?}");
    // A second reading by its own mark.
    let text = fs::read_to_string(dir.join("v3.json")).unwrap();
    let (record, check) = verify_text(&text, None).unwrap();
    assert_eq!(record.schema, "osspan-reading/3");
    assert!(check.differences.is_empty() && check.unchecked.is_empty(), "{check:?}");
    assert!(record.second.is_some_and(|s| s.blinded && s.queue_seed == Some(4)) && record.scanner.is_some());
    let versions = fs::read_dir(&dir).unwrap().count();
    assert_eq!(versions, 3, "each version needs its lines above");
}
