//! The checked-in sample images are the ones that the generator makes, and they read as their truth says.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use osspan::calibrate::header::calibration_for;
use osspan::load::StoredFile;
use osspan::measure::{EdgeMark, Landmarks, Repeatability, SideCheck, Value, edge_to_os};
use osspan::sample::SavedLandmarks;
use osspan::synth::sample::{SampleFile, sample_exam, sample_images};

/// Drawn once for all tests.
static MADE: LazyLock<Vec<SampleFile>> = LazyLock::new(|| sample_exam().expect("the samples can be made"));

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images")
}

#[test]
fn the_checked_in_samples_are_the_generated_ones() {
    for (name, bytes) in sample_images().expect("the samples can be made") {
        let stored = std::fs::read(folder().join(&name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(stored == bytes, "{name} differs; run `cargo run --example make-samples` and look at the change");
    }
}

#[test]
fn every_frame_of_the_samples_opens_and_measures_as_its_truth() {
    for made in MADE.iter() {
        let file = StoredFile::open(&folder().join(&made.name)).unwrap();
        assert_eq!(file.frame_count() as usize, made.frames.len(), "{}", made.name);
        assert_eq!(file.warnings(), [] as [&str; 0]);
        for (number, truth) in (1..).zip(&made.frames) {
            let frame = file.frame(number).unwrap();
            assert_eq!((frame.width, frame.height), (file.geometry().columns, file.geometry().rows));
            let points = [truth.internal_os, truth.placental_edge, truth.placental_body];
            let scale = calibration_for(file.geometry(), &points, None).unwrap();
            assert_eq!((scale.region, scale.warnings.len()), (Some(1), 0));
            let landmarks = Landmarks {
                internal_os: truth.internal_os,
                edge: EdgeMark::PlacentalEdge { at: truth.placental_edge },
                placental_body: Some(truth.placental_body),
                marginal_sinus: None,
            };
            let m = edge_to_os(&landmarks, truth.side, &scale.calibration, &Repeatability::assumed_total()).unwrap();
            let Value::Exact { signed_mm } = m.value else { panic!("{:?}", m.value) };
            assert!((signed_mm.get() - truth.edge_to_os_mm).abs() < 1e-9, "{} frame {number}: {signed_mm}", made.name);
            assert_eq!(m.side_check, SideCheck::Agrees);
        }
    }
}

/// Each landmark is up to 1 mm off, so a distance is up to 2 mm off.
#[test]
fn the_saved_landmarks_read_near_the_truth_with_the_side_agreeing() {
    let saved = SavedLandmarks::parse(&std::fs::read_to_string(folder().join("landmarks.json")).unwrap()).unwrap();
    let made = &*MADE;
    assert_eq!(saved.readings.len(), made.len());
    for reading in &saved.readings {
        let file = StoredFile::open(&folder().join(&reading.file)).unwrap();
        let truth = &made.iter().find(|m| m.name == reading.file).unwrap().frames[reading.frame as usize - 1];
        let landmarks = reading.landmarks();
        let scale = calibration_for(file.geometry(), &[landmarks.internal_os, landmarks.edge.at()], None).unwrap();
        let m = edge_to_os(&landmarks, reading.side, &scale.calibration, &Repeatability::assumed_total()).unwrap();
        let Value::Exact { signed_mm } = m.value else { panic!("{:?}", m.value) };
        assert!((signed_mm.get() - truth.edge_to_os_mm).abs() < 2.0, "{}: {signed_mm}", reading.file);
        assert_eq!((reading.side, m.side_check), (truth.side, SideCheck::Agrees), "{}", reading.file);
    }
}
