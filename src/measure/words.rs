//! The distance in words. Sign and number never appear without them.

use super::Value;

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

/// The headline, such as "Edge 14 mm from the internal os" (without the side).
///
/// `print` turns a *signed* distance into the digits of its size; see [`digits_that_keep`].
#[must_use]
pub fn headline(value: &Value, print: impl Fn(f64) -> String) -> String {
    match value {
        Value::Exact { signed_mm } if signed_mm.get() < 0.0 => {
            format!("Overlaps the os by {} mm", print(signed_mm.get()))
        }
        Value::Exact { signed_mm } => format!("Edge {} mm from the internal os", print(signed_mm.get())),
        Value::Reaches { .. } => "Reaches or partly covers the os".into(),
        Value::OverlapAtLeast { mm } => format!("Overlaps the os by at least {} mm", print(-mm.get())),
        Value::NoPlacentaWithin { mm } => format!("No placenta seen within {} mm of the internal os", print(mm.get())),
    }
}
