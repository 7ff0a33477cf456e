//! The checked-in sample images are the ones that the generator makes.

use std::path::Path;

#[test]
fn the_checked_in_samples_are_the_generated_ones() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images");
    for (name, bytes) in osspan::synth::sample::sample_images().expect("the samples can be made") {
        let stored = std::fs::read(folder.join(&name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(stored == bytes, "{name} differs; run `cargo run --example make-samples` and look at the change");
    }
}
