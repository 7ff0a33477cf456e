//! The distance in words. Sign and number never appear without them.

use super::{Measurement, Side, Value};
use crate::estimate::Interval;

/// The number with as few digits as keep it on the same side of every band edge: whole millimetres unless an edge needs
/// more. `same` says whether a printed value would be treated like the real one.
///
/// 19.96 is never printed "20" under a table in which 20 is another band.
#[must_use]
pub fn digits_that_keep(value: f64, same: impl Fn(f64) -> bool) -> String {
    for digits in 0..=15 {
        let text = format!("{value:.digits$}");
        if text.parse::<f64>().is_ok_and(&same) {
            return text;
        }
    }
    format!("{value}")
}

/// Prints the size of a signed distance, without its sign, by [`digits_that_keep`] under `same_band(printed, real)`.
pub fn printer(same_band: impl Fn(f64, f64) -> bool) -> impl Fn(f64) -> String {
    move |signed| digits_that_keep(signed, |printed| same_band(printed, signed)).trim_start_matches('-').to_owned()
}

/// The headline, such as "Edge 14 mm from the internal os, not covering".
///
/// `print` turns a *signed* distance into the digits of its size; see [`printer`].
#[must_use]
pub fn headline(value: &Value, print: impl Fn(f64) -> String) -> String {
    match value {
        Value::Exact { signed_mm } if signed_mm.get() < 0.0 => format!("Overlaps the os by {} mm", print(signed_mm.get())),
        Value::Exact { signed_mm } => format!("Edge {} mm from the internal os, not covering", print(signed_mm.get())),
        Value::Reaches { .. } => "Reaches or partly covers the os".into(),
        Value::OverlapAtLeast { mm } => format!("Overlaps the os by at least {} mm", print(-mm.get())),
        Value::NoPlacentaWithin { mm } => format!("No placenta seen within {} mm of the internal os in this plane", print(mm.get())),
    }
}

/// The 95 % interval in words: "95 %: 10 to 18 mm away", "95 %: from overlapping by 3 mm to 8 mm away".
#[must_use]
pub fn interval_words(interval: &Interval, print: impl Fn(f64) -> String) -> String {
    let percent = (interval.coverage * 100.0).round();
    let (low, high) = (interval.low_mm.map(|m| m.get()), interval.high_mm.map(|m| m.get()));
    let range = match (low, high) {
        (Some(l), Some(h)) if l < 0.0 && h < 0.0 => format!("overlap of {} to {} mm", print(h), print(l)),
        (Some(l), Some(h)) if l < 0.0 => format!("from overlapping by {} mm to {} mm away", print(l), print(h)),
        (Some(l), Some(h)) => format!("{} to {} mm away", print(l), print(h)),
        (Some(l), None) if l < 0.0 => format!("overlaps by no more than {} mm", print(l)),
        (Some(l), None) => format!("{} mm away or more", print(l)),
        (None, Some(h)) if h < 0.0 => format!("overlap of {} mm or more", print(h)),
        (None, Some(h)) => format!("overlap, or up to {} mm away", print(h)),
        (None, None) => "no limit known".into(),
    };
    format!("{percent:.0} %: {range}")
}

/// The line under the headline: what is secondary, and the interval.
#[must_use]
pub fn detail(measurement: &Measurement, print: impl Fn(f64) -> String) -> String {
    let mut parts = Vec::new();
    if let Value::Reaches { centre_distance_mm } = measurement.value {
        parts.push(format!("edge {} mm from the centre of the os", print(centre_distance_mm.get())));
    }
    parts.push(interval_words(&measurement.interval, &print));
    parts.push(format!("SD {:.1} mm", measurement.u_mm.get()));
    if let (Some(sinus), Side::NotCovering) = (measurement.marginal_sinus_mm, measurement.side) {
        parts.push(format!("marginal sinus {} mm from the os", print(sinus.get())));
    }
    parts.join(" · ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Mm;

    /// Bands below 0, 0 itself, up to 20, 20 and more.
    fn same(a: f64, b: f64) -> bool {
        let band = |v: f64| (v < 0.0, v > 0.0 && v < 20.0, v >= 20.0);
        band(a) == band(b)
    }

    #[test]
    fn digits_grow_only_where_a_band_edge_needs_them() {
        let p = printer(same);
        assert_eq!(p(14.3), "14");
        assert_eq!(p(19.96), "19.96");
        assert_eq!(p(19.6), "19.6");
        assert_eq!(p(20.4), "20");
        assert_eq!(p(0.4), "0.4");
        assert_eq!(p(-0.4), "0.4");
        assert_eq!(p(-6.2), "6");
        assert_eq!(p(f64::from_bits(20.0_f64.to_bits() - 1)), "19.999999999999996");
    }

    #[test]
    fn words_always_say_the_side() {
        let p = printer(same);
        let exact = |v: f64| headline(&Value::Exact { signed_mm: Mm::new(v) }, &p);
        assert_eq!(exact(14.2), "Edge 14 mm from the internal os, not covering");
        assert_eq!(exact(-6.0), "Overlaps the os by 6 mm");
        let i = |l, h| interval_words(&Interval { low_mm: Some(Mm::new(l)), high_mm: Some(Mm::new(h)), coverage: 0.95 }, &p);
        assert_eq!(i(10.1, 17.8), "95 %: 10 to 18 mm away");
        assert_eq!(i(-10.0, -4.0), "95 %: overlap of 4 to 10 mm");
        assert_eq!(i(-2.2, 6.0), "95 %: from overlapping by 2 mm to 6 mm away");
    }
}
