//! Grey-scale presentation: how stored values become screen values. It works on the copy that is shown; frames keep their
//! samples, and everything that is measured or found in a picture is found in those.

/// How the grey scale is changed for the eye. All zero: as stored.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tones {
    /// Steps of brightening the dark (positive) or the bright: gamma is 1.1 to this power.
    pub gamma: i8,
    /// Steps that the middle of the window is moved up: 3 % of the grey scale each.
    pub level: i8,
    /// Steps of narrowing the window: contrast is 1.1 to this power.
    pub window: i8,
    /// Dark and bright change places.
    pub invert: bool,
}

/// The most steps either way.
pub const MOST_STEPS: i8 = 12;

impl Tones {
    /// As stored.
    pub const AS_STORED: Self = Self { gamma: 0, level: 0, window: 0, invert: false };

    /// What each stored value, 0 to 255, is shown as.
    #[must_use]
    pub fn table(self) -> [u8; 256] {
        let power = |steps: i8| 1.1_f64.powi(i32::from(steps));
        std::array::from_fn(|stored| {
            let v = stored as f64 / 255.0;
            let windowed = ((v - 0.5 - 0.03 * f64::from(self.level)) * power(self.window) + 0.5).clamp(0.0, 1.0);
            let shown = windowed.powf(1.0 / power(self.gamma));
            let shown = if self.invert { 1.0 - shown } else { shown };
            // 0 to 255 by the clamp.
            (shown * 255.0).round() as u8
        })
    }

    /// What was changed, in words; empty when it is shown as stored.
    #[must_use]
    pub fn words(self) -> Vec<String> {
        let power = |steps: i8| 1.1_f64.powi(i32::from(steps));
        let mut out = Vec::new();
        if self.gamma != 0 {
            out.push(format!("gamma {:.2}", power(self.gamma)));
        }
        if self.level != 0 {
            out.push(format!("level {:+} %", 3 * i32::from(self.level)).replace('-', "−"));
        }
        if self.window != 0 {
            out.push(format!("contrast {:.2}", power(self.window)));
        }
        if self.invert {
            out.push("inverted".into());
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_stored_changes_nothing_and_each_step_goes_its_way() {
        let stored = Tones::AS_STORED.table();
        assert!((0..=255).all(|v: u8| stored[usize::from(v)] == v) && Tones::AS_STORED.words().is_empty());
        let brighter = Tones { gamma: 3, ..Tones::AS_STORED }.table();
        assert!(brighter[60] > 60 && brighter[0] == 0 && brighter[255] == 255);
        let up = Tones { level: 4, ..Tones::AS_STORED }.table();
        assert!(up[128] < 128, "a window moved up shows the middle darker");
        let harder = Tones { window: 5, ..Tones::AS_STORED }.table();
        assert!(harder[200] > 200 && harder[50] < 50 && harder[0] == 0);
        let inverted = Tones { invert: true, ..Tones::AS_STORED }.table();
        assert!((0..=255).all(|v: u8| inverted[usize::from(v)] == 255 - v));
    }

    #[test]
    fn no_setting_turns_the_order_of_greys_round_or_blanks_the_picture() {
        for gamma in [-MOST_STEPS, 0, MOST_STEPS] {
            for level in [-MOST_STEPS, 0, MOST_STEPS] {
                for window in [-MOST_STEPS, 0, MOST_STEPS] {
                    let table = Tones { gamma, level, window, invert: false }.table();
                    assert!(table.is_sorted(), "{gamma} {level} {window}");
                    assert!(table[255] > table[0], "{gamma} {level} {window}");
                }
            }
        }
    }
}
