//! The QR code of a report's digest, as bars.

use qrcode::{Color, EcLevel, QrCode};

/// Bars (left, top, width, height) of the code of `text` in a square of this side, with the quiet zone of four modules.
/// Empty when the text is too long for a code, which a digest never is.
#[must_use]
pub fn bars(text: &str, side: f64) -> Vec<[f64; 4]> {
    let Ok(code) = QrCode::with_error_correction_level(text.as_bytes(), EcLevel::M) else { return Vec::new() };
    let n = code.width();
    let unit = side / (n + 8) as f64;
    let colors = code.to_colors();
    let mut out = Vec::new();
    for (row, line) in colors.chunks(n.max(1)).enumerate() {
        let mut column = 0;
        while column < line.len() {
            let run = line.iter().skip(column).take_while(|c| **c == Color::Dark).count();
            if run > 0 {
                out.push([(column + 4) as f64 * unit, (row + 4) as f64 * unit, run as f64 * unit, unit]);
            }
            column += run.max(1);
        }
    }
    out
}
