//! One test for each rule of `docs/CALIBRATION.md`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

use super::*;
use crate::frame::RawRegion;

/// A usable region: 2D, tissue, centimetres, scale protected.
fn region(bounds: [u32; 4], dx: f64, dy: f64) -> RawRegion {
    RawRegion::of_tissue(bounds, [dx, dy])
}

fn geometry(regions: Vec<RawRegion>) -> Geometry {
    Geometry { rows: 480, columns: 640, regions, ..Geometry::default() }
}

fn at(points: &[(f64, f64)]) -> Vec<PxPoint> {
    points.iter().map(|&(x, y)| PxPoint::new(x, y)).collect()
}

fn scale(g: &Geometry, points: &[(f64, f64)]) -> Result<HeaderScale> {
    calibration_for(g, &at(points), None)
}

/// The refusal's message; it must be a refusal for want of a scale.
fn refused(g: &Geometry, points: &[(f64, f64)]) -> String {
    let e = scale(g, points).unwrap_err();
    assert_eq!(e.kind(), ErrorKind::Uncalibrated, "{e}");
    e.message()
}

const MID: [(f64, f64); 2] = [(200.0, 200.0), (300.0, 300.0)];

#[test]
fn a_tissue_region_gives_its_deltas_as_millimetres_each_way() {
    let s = scale(&geometry(vec![region([0, 0, 639, 479], 0.02, 0.03)]), &MID).unwrap();
    assert_eq!(s.calibration.mm_per_px(), (0.2, 0.3));
    assert_eq!(s.region, Some(1));
    assert_eq!(s.calibration.basis(), &Basis::HeaderRegion { region: 1 });
    assert!(s.warnings.is_empty(), "{:?}", s.warnings);
    let d = s.calibration.distance(PxPoint::new(10.0, 10.0), PxPoint::new(30.0, 20.0));
    assert!((d.get() - 5.0).abs() < 1e-12);
}

#[test]
fn colour_flow_counts_and_a_negative_delta_counts_by_its_size() {
    let mut r = region([0, 0, 639, 479], -0.02, 0.03);
    r.data_type = Some(2);
    assert_eq!(scale(&geometry(vec![r]), &MID).unwrap().calibration.mm_per_px(), (0.2, 0.3));
}

#[test]
fn what_is_not_2d_tissue_in_centimetres_with_a_scale_is_refused_in_words() {
    let good = region([0, 0, 639, 479], 0.02, 0.02);
    let cases: [(&str, RawRegion); 13] = [
        ("M-mode", RawRegion { spatial_format: Some(2), ..good.clone() }),
        ("spatial format", RawRegion { spatial_format: None, ..good.clone() }),
        ("ECG", RawRegion { data_type: Some(0xA), ..good.clone() }),
        ("unknown data type 9", RawRegion { data_type: Some(9), ..good.clone() }),
        ("what it shows", RawRegion { data_type: None, ..good.clone() }),
        ("seconds across", RawRegion { units_x: Some(4), ..good.clone() }),
        ("no unit down", RawRegion { units_y: Some(0), ..good.clone() }),
        ("units both ways", RawRegion { units_y: None, ..good.clone() }),
        ("0 by 0.02", RawRegion { delta_x: Some(0.0), ..good.clone() }),
        ("0.02 by NaN", RawRegion { delta_y: Some(f64::NAN), ..good.clone() }),
        ("inf by", RawRegion { delta_x: Some(f64::INFINITY), ..good.clone() }),
        ("scale both ways", RawRegion { delta_y: None, ..good.clone() }),
        ("no box", RawRegion { max_y1: None, ..good }),
    ];
    for (word, r) in cases {
        let m = refused(&geometry(vec![r]), &MID);
        assert!(m.contains(word), "{word}: {m}");
    }
}

#[test]
fn a_box_that_ends_before_it_begins_is_not_used() {
    assert!(refused(&geometry(vec![region([300, 0, 200, 479], 0.02, 0.02)]), &MID).contains("no box"));
    assert!(refused(&geometry(vec![region([0, 300, 639, 200], 0.02, 0.02)]), &MID).contains("no box"));
}

#[test]
fn a_box_one_pixel_too_long_is_clamped_with_a_warning() {
    for (b, inside) in [([0, 0, 640, 479], (639.9, 10.0)), ([0, 0, 639, 480], (10.0, 479.9))] {
        let s = scale(&geometry(vec![region(b, 0.02, 0.02)]), &[inside, (1.0, 1.0)]).unwrap();
        assert_eq!(s.warnings.len(), 1);
        assert!(s.warnings[0].contains("one pixel beyond"), "{:?}", s.warnings);
    }
}

#[test]
fn a_box_outside_the_picture_refuses_the_whole_file_even_for_another_region_and_with_consent() {
    let good = region([0, 0, 300, 300], 0.02, 0.02);
    for bad in [[84, 31, 641, 414], [84, 31, 500, 481], [640, 0, 640, 10], [0, 480, 10, 480]] {
        let mut g = geometry(vec![good.clone(), region(bad, 0.02, 0.02)]);
        assert!(refused(&g, &[(10.0, 10.0), (20.0, 20.0)]).contains("resized or cropped"));
        // Whatever sort of region it is: an ECG box that does not fit tells as much.
        g.regions[1].spatial_format = Some(4);
        g.pixel_spacing_row_column = Some([0.2, 0.2]);
        let consent = PixelSpacingConsent { by: "A".into() };
        let e = calibration_for(&g, &at(&[(10.0, 10.0)]), Some(&consent)).unwrap_err();
        assert!(e.message().contains("resized or cropped"), "{e}");
    }
}

#[test]
fn a_point_belongs_to_the_pixel_under_it() {
    let g = geometry(vec![region([100, 100, 400, 300], 0.02, 0.02)]);
    assert!(scale(&g, &[(100.0, 100.0), (400.999, 300.999)]).is_ok());
    for outside in [(99.999, 200.0), (401.0, 200.0), (200.0, 99.999), (200.0, 301.0)] {
        let m = refused(&g, &[outside, (200.0, 200.0)]);
        assert!(m.contains("outside the calibrated picture") && m.contains("x 100 to 400, y 100 to 300"), "{m}");
    }
}

#[test]
fn two_panes_with_one_scale_are_still_two_pictures() {
    let g = geometry(vec![region([32, 24, 335, 415], 0.038, 0.038), region([336, 24, 639, 415], 0.038, 0.038)]);
    assert!(refused(&g, &[(100.0, 100.0), (400.0, 100.0)]).contains("different panes"));
    assert_eq!(scale(&g, &[(400.0, 100.0), (500.0, 100.0)]).unwrap().region, Some(2));
}

#[test]
fn overlapping_regions_must_agree_where_a_landmark_lies() {
    let whole = region([0, 0, 639, 479], 0.02, 0.02);
    let same = geometry(vec![whole.clone(), region([100, 100, 400, 400], 0.02, 0.02)]);
    assert_eq!(scale(&same, &MID).unwrap().region, Some(1));
    let inset = geometry(vec![whole, region([250, 250, 400, 400], 0.01, 0.01)]);
    assert!(refused(&inset, &[(260.0, 260.0), (300.0, 300.0)]).contains("disagree"));
    assert!(refused(&inset, &MID).contains("disagree"), "one landmark in the inset is enough");
    assert!(scale(&inset, &[(10.0, 10.0), (20.0, 20.0)]).is_ok());
}

#[test]
fn a_landmark_on_a_grey_bar_over_the_picture_is_refused() {
    let bar = RawRegion {
        spatial_format: Some(0),
        data_type: Some(0xD),
        units_x: Some(0),
        units_y: Some(0),
        delta_x: Some(0.0),
        delta_y: Some(0.0),
        ..region([32, 40, 63, 103], 0.0, 0.0)
    };
    let g = geometry(vec![region([0, 0, 639, 479], 0.02, 0.02), bar]);
    let m = refused(&g, &[(40.0, 50.0), (200.0, 200.0)]);
    assert!(m.contains("region 2") && m.contains("not spatial"), "{m}");
    assert!(scale(&g, &MID).is_ok());
}

#[test]
fn a_region_without_a_box_beside_a_usable_one_is_warned_of() {
    let g = geometry(vec![region([0, 0, 639, 479], 0.02, 0.02), RawRegion::default()]);
    assert!(scale(&g, &MID).unwrap().warnings.iter().any(|w| w.contains("Region 2")));
}

#[test]
fn an_unprotected_scale_is_warned_of() {
    for flags in [None, Some(0), Some(1)] {
        let r = RawRegion { flags, ..region([0, 0, 639, 479], 0.02, 0.02) };
        assert!(scale(&geometry(vec![r]), &MID).unwrap().warnings.iter().any(|w| w.contains("protected")));
    }
}

#[test]
fn pixel_spacing_is_row_then_column_in_millimetres_and_must_not_contradict() {
    let with = |spacing| Geometry { pixel_spacing_row_column: Some(spacing), ..geometry(vec![region([0, 0, 639, 479], 0.02, 0.03)]) };
    // Deltas are x, y in cm: 0.2 mm across, 0.3 mm down; Pixel Spacing says down first.
    assert!(scale(&with([0.3, 0.2]), &MID).unwrap().warnings.is_empty());
    assert!(refused(&with([0.2, 0.3]), &MID).contains("contradicts itself"));
    assert!(scale(&with([0.3 * 1.005, 0.2]), &MID).unwrap().warnings.iter().any(|w| w.contains("0.50 %")));
    for bad in [[0.3, 0.2 * 1.02], [0.3 * 1.02, 0.2], [0.3 * 0.985, 0.2]] {
        assert!(refused(&with(bad), &MID).contains("contradicts itself"));
    }
    assert!(scale(&with([0.0, 0.2]), &MID).unwrap().warnings[0].contains("not used"));
}

#[test]
fn pixel_aspect_ratio_is_vertical_to_horizontal_and_must_not_contradict() {
    let with = |ratio| Geometry { pixel_aspect_vertical_horizontal: Some(ratio), ..geometry(vec![region([0, 0, 639, 479], 0.02, 0.03)]) };
    assert!(scale(&with([3, 2]), &MID).unwrap().warnings.is_empty());
    assert!(refused(&with([2, 3]), &MID).contains("shape of its pixels"));
    assert!(refused(&with([1, 1]), &MID).contains("shape of its pixels"));
    assert!(scale(&with([0, 1]), &MID).unwrap().warnings[0].contains("not used"));
}

#[test]
fn pixel_spacing_alone_needs_consent_and_says_who_gave_it() {
    let mut g = geometry(vec![]);
    g.pixel_spacing_row_column = Some([0.3, 0.2]);
    assert!(refused(&g, &MID).contains("consent"));
    let by = |name: &str| PixelSpacingConsent { by: name.into() };
    let s = calibration_for(&g, &at(&MID), Some(&by("Ada"))).unwrap();
    assert_eq!(s.calibration.mm_per_px(), (0.2, 0.3));
    assert_eq!((s.region, s.calibration.basis()), (None, &Basis::PixelSpacing { consented_by: "Ada".into() }));
    assert!(s.warnings[0].contains("Ada"));
    assert_eq!(calibration_for(&g, &at(&MID), Some(&by(" "))).unwrap_err().kind(), ErrorKind::Usage);
    g.pixel_spacing_row_column = Some([0.3, -0.2]);
    assert!(calibration_for(&g, &at(&MID), Some(&by("Ada"))).unwrap_err().message().contains("Pixel Spacing cannot be used"));
}

#[test]
fn pixel_spacing_cannot_stand_in_for_a_landmark_outside_the_regions_or_on_a_trace() {
    let consent = PixelSpacingConsent { by: "Ada".into() };
    let mut g = geometry(vec![region([100, 100, 400, 300], 0.02, 0.02)]);
    g.pixel_spacing_row_column = Some([0.2, 0.2]);
    assert!(calibration_for(&g, &at(&[(50.0, 50.0)]), Some(&consent)).is_err());
    g.regions[0].spatial_format = Some(3);
    assert!(calibration_for(&g, &at(&[(200.0, 200.0)]), Some(&consent)).unwrap_err().message().contains("spectral"));
    assert!(calibration_for(&g, &at(&[(50.0, 50.0)]), Some(&consent)).is_ok());
}

#[test]
fn no_region_and_no_spacing_is_no_millimetres() {
    let m = refused(&geometry(vec![]), &MID);
    assert!(m.contains("no ultrasound region") && m.contains("region calibration"), "{m}");
}

#[test]
fn unbelievable_scales_are_refused() {
    let r = |dx, dy| geometry(vec![region([0, 0, 499, 399], dx, dy)]);
    assert!(scale(&r(0.00401, 0.00401), &MID).is_ok(), "20.05 mm wide");
    assert!(refused(&r(0.0039, 0.0039), &MID).contains("19.5 × 15.6 mm"));
    assert!(scale(&r(0.0799, 0.0799), &MID).is_ok(), "399.5 mm wide");
    assert!(refused(&r(0.0801, 0.0801), &MID).contains("not believable"));
    assert!(scale(&r(0.01, 0.039), &MID).is_ok());
    assert!(refused(&r(0.01, 0.041), &MID).contains("longer one way"));
    let mut g = geometry(vec![]);
    g.pixel_spacing_row_column = Some([2.0, 2.0]);
    let consent = PixelSpacingConsent { by: "Ada".into() };
    assert!(calibration_for(&g, &at(&MID), Some(&consent)).unwrap_err().message().contains("not believable"));
}

#[test]
fn places_that_are_not_in_the_picture_are_refused_first() {
    let g = geometry(vec![region([0, 0, 639, 479], 0.02, 0.02)]);
    assert_eq!(calibration_for(&g, &[], None).unwrap_err().kind(), ErrorKind::Usage);
    for p in [(f64::NAN, 1.0), (1.0, f64::INFINITY), (-0.1, 1.0), (640.0, 1.0), (1.0, 480.0)] {
        assert_eq!(scale(&g, &[p]).unwrap_err().kind(), ErrorKind::Invalid);
    }
}

/// Source: the region of a carried pydicom-data file (OBXXXX1A.dcm) and its burned-in calipers, which print 1.06 cm.
#[test]
fn a_stored_frames_own_calipers_agree() {
    let mut r = region([120, 60, 800, 518], 0.026_228_787_661_969_98, 0.026_228_787_661_969_98);
    r.flags = Some(3);
    let g = Geometry { rows: 600, columns: 800, regions: vec![r], ..Geometry::default() };
    let (a, b) = (PxPoint::new(460.0, 291.0), PxPoint::new(499.0, 302.0));
    let s = calibration_for(&g, &[a, b], None).unwrap();
    assert!((s.calibration.distance(a, b).get() - 10.628).abs() < 5e-4);
    assert!(s.warnings[0].contains("one pixel beyond"));
}

#[test]
fn the_survey_says_what_each_region_is() {
    let s = survey(&geometry(vec![region([0, 0, 639, 400], 0.02, 0.02), RawRegion { data_type: Some(0xA), ..RawRegion::default() }]));
    assert_eq!(s.regions[0].kind, "2D, tissue");
    assert_eq!(s.regions[0].bounds.unwrap().size(), (640, 401));
    assert_eq!(s.regions[0].mm_per_px(), Some((0.2, 0.2)));
    assert_eq!(s.regions[1].kind, "no spatial format, an ECG trace");
    assert_eq!(s.refused, None);
}
