//! The scale that a file's header gives, by the policy of `docs/CALIBRATION.md`.
