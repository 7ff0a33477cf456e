//! Every colour, size, spacing and letter choice of the window; nothing else in it names a colour.
//!
//! Colours tell blue from orange and light from dark, so that they survive the common colour-vision differences, and no
//! meaning rests on a colour alone. A test computes the contrast of every pair that text is drawn in.

use std::sync::Arc;

use egui::{Color32, CornerRadius, FontData, FontDefinitions, FontFamily, FontId, Margin, Stroke, TextStyle, Vec2, Visuals};

use crate::plot::{Ink, Tone, fonts};

const fn rgb(hex: u32) -> Color32 {
    Color32::from_rgb((hex >> 16) as u8, (hex >> 8) as u8, hex as u8)
}

/// One set of colours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Theme {
    /// Whether it is the dark one.
    pub dark: bool,
    /// Behind everything.
    pub page: Color32,
    /// Behind the case sheet and the distance line.
    pub panel: Color32,
    /// Behind fields and choices.
    pub well: Color32,
    /// Lines between parts.
    pub rule: Color32,
    /// Edges of fields and choices, and the focus mark.
    pub outline: Color32,
    /// Ordinary text.
    pub text: Color32,
    /// Secondary text.
    pub quiet: Color32,
    /// Things that lead on: links, the armed landmark.
    pub lead: Color32,
    /// The main button.
    pub button: Color32,
    /// Text on the main button.
    pub on_button: Color32,
    /// What needs attention.
    pub warn: Color32,
    /// What stops the reading, and the gravest findings.
    pub alarm: Color32,
    bands: [Color32; 5],
}

/// For a darkened room.
pub const DARK: Theme = Theme {
    dark: true,
    page: rgb(0x12_1619),
    panel: rgb(0x1b_2125),
    well: rgb(0x26_2e33),
    rule: rgb(0x36_4046),
    outline: rgb(0x7a_868c),
    text: rgb(0xec_eae3),
    quiet: rgb(0xa3_acb1),
    lead: rgb(0x8f_bfe2),
    button: rgb(0x2b_6a8b),
    on_button: rgb(0xff_ffff),
    warn: rgb(0xe8_bb55),
    alarm: rgb(0xf3_9069),
    bands: [rgb(0xc2_6236), rgb(0xb4_6e4f), rgb(0xa8_8326), rgb(0x44_86ad), rgb(0x72_7d83)],
};

/// For a bright room.
pub const LIGHT: Theme = Theme {
    dark: false,
    page: rgb(0xe9_e7e0),
    panel: rgb(0xfa_f9f5),
    well: rgb(0xee_ece5),
    rule: rgb(0xcf_ccc2),
    outline: rgb(0x76_7f83),
    text: rgb(0x1a_2023),
    quiet: rgb(0x52_5b60),
    lead: rgb(0x17_567a),
    button: rgb(0x23_5f80),
    on_button: rgb(0xff_ffff),
    warn: rgb(0x76_4f00),
    alarm: rgb(0x9c_340d),
    bands: [rgb(0xb4_5326), rgb(0xa5_613f), rgb(0x97_731a), rgb(0x3b_7799), rgb(0x6f_797e)],
};

/// Colours over the frame, the same in both themes because a frame is always shown on black.
pub mod over_frame {
    use super::{Color32, rgb};

    /// Behind the frame.
    pub const CANVAS: Color32 = rgb(0x08_0a0b);
    /// Behind words over the frame, and around every drawn line.
    pub const HALO: Color32 = Color32::from_black_alpha(190);
    /// Words and the os–edge line.
    pub const WORDS: Color32 = rgb(0xf4_f2ea);
    /// Secondary words.
    pub const QUIET: Color32 = rgb(0xb3_bcc0);
    /// The internal os.
    pub const OS: Color32 = rgb(0xff_ffff);
    /// The placental edge.
    pub const EDGE: Color32 = rgb(0xff_9a78);
    /// The placental body.
    pub const BODY: Color32 = rgb(0xd3_acec);
    /// The last placenta seen.
    pub const LAST_PLACENTA: Color32 = rgb(0xff_b765);
    /// The end of the wall in view.
    pub const END_OF_WALL: Color32 = rgb(0x86_d6cc);
    /// The marginal sinus.
    pub const SINUS: Color32 = rgb(0x9c_c8f5);
    /// The external os.
    pub const EXTERNAL_OS: Color32 = rgb(0xc4_e9ff);
    /// The trace of the cervical canal.
    pub const CANAL: Color32 = rgb(0xb6_e08c);
    /// Where the plates meet.
    pub const PLATES_MEET: Color32 = rgb(0xff_c4dd);
    /// The basal plate.
    pub const BASAL: Color32 = rgb(0xf0_a8c6);
    /// The chorionic plate.
    pub const CHORIONIC: Color32 = rgb(0xe2_c6ff);
    /// A vessel.
    pub const VESSEL: Color32 = rgb(0xff_9c96);
    /// The trace along the wall.
    pub const WALL: Color32 = rgb(0xd6_cfa2);
    /// One end of the os.
    pub const OS_END: Color32 = rgb(0xc8_f0e4);
    /// The other end.
    pub const OS_OTHER_END: Color32 = rgb(0xa9_e2d2);
    /// A refined place that is offered.
    pub const OFFER: Color32 = rgb(0xf5_ff8a);
    /// The ring of the decisive radius.
    pub const RING: Color32 = rgb(0xe6_c983);
    /// The keyboard cross.
    pub const CROSS: Color32 = rgb(0xff_9a78);
}

/// Sizes, in points.
pub mod size {
    /// The finding's distance.
    pub const HEADLINE: f32 = 21.0;
    /// The finding's name.
    pub const FINDING: f32 = 18.0;
    /// Ordinary letters.
    pub const BODY: f32 = 14.0;
    /// Small letters.
    pub const SMALL: f32 = 12.5;
    /// Height of the strip at the top.
    pub const STRIP: f32 = 44.0;
    /// Its height where it has two rows.
    pub const STRIP_OF_TWO: f32 = 58.0;
    /// Height of the line of keys at the bottom.
    pub const HINTS: f32 = 34.0;
    /// Height of the line under the frame.
    pub const UNDER_FRAME: f32 = 26.0;
    /// Width of the first column of the case sheet.
    pub const SHEET_COLUMN: f32 = 88.0;
    /// Width of the exam drawer.
    pub const DRAWER: f32 = 250.0;
    /// Height of a cine's time line with its words.
    pub const TIME_LINE: f32 = 62.0;
    /// Room around parts.
    pub const GAP: f32 = 14.0;
    /// Width of lines over the frame.
    pub const STROKE: f32 = 2.0;
    /// Radius of a landmark's glyph.
    pub const GLYPH: f32 = 9.0;
    /// How near the pointer must be to take hold of a landmark.
    pub const GRAB: f32 = 16.0;
    /// Radius of the magnified inset.
    pub const INSET: f32 = 72.0;
    /// Width of the case sheet in a window of `width`: narrower where letters are large, wider where there is room.
    #[must_use]
    pub fn sheet(width: f32) -> f32 {
        (width * 0.34375).clamp(270.0, 440.0) + ((width - 1280.0).max(0.0) * 0.15).min(120.0)
    }
    /// Height of the distance line on a page of `height`.
    #[must_use]
    pub fn distance_line(height: f32) -> f32 {
        (height * 0.23).clamp(98.0, 154.0)
    }
    /// How much larger the inset shows the frame than the canvas does.
    pub const INSET_TIMES: f64 = 4.0;
}

/// Width of the edge of what has the focus.
const FOCUS_WIDTH: f32 = 2.5;

/// The family of heavy letters.
#[must_use]
pub fn strong() -> FontFamily {
    FontFamily::Name("strong".into())
}

/// Heavy letters of a size.
#[must_use]
pub fn strong_font(size: f32) -> FontId {
    FontId::new(size, strong())
}

impl Theme {
    /// The theme by its name.
    #[must_use]
    pub const fn of(light: bool) -> &'static Self {
        if light { &LIGHT } else { &DARK }
    }

    /// The colour of an ink of a plot.
    #[must_use]
    pub fn ink(&self, ink: Ink) -> Color32 {
        match ink {
            Ink::Strong => self.text,
            Ink::Quiet => self.quiet,
            Ink::Shade => self.text.gamma_multiply(0.16),
            Ink::Band(tone) => {
                self.bands[match tone {
                    Tone::Covering => 0,
                    Tone::Reaching => 1,
                    Tone::Near => 2,
                    Tone::Far => 3,
                    Tone::Plain => 4,
                }]
            }
            Ink::BandName(tone) => self.tone_text(tone),
        }
    }

    /// The colour of words about such a place.
    #[must_use]
    pub const fn tone_text(&self, tone: Tone) -> Color32 {
        match tone {
            Tone::Covering | Tone::Reaching => self.alarm,
            Tone::Near => self.warn,
            Tone::Far => self.lead,
            Tone::Plain => self.quiet,
        }
    }

    /// Gives the window this theme.
    pub fn put_on(&self, ctx: &egui::Context) {
        let theme = if self.dark { egui::Theme::Dark } else { egui::Theme::Light };
        ctx.set_theme(theme);
        // Both of the library's themes get these colours, so that no setting of the platform can mix the two.
        ctx.all_styles_mut(|style| {
            style.visuals = self.visuals();
            style.text_styles = [
                (TextStyle::Small, FontId::proportional(size::SMALL)),
                (TextStyle::Body, FontId::proportional(size::BODY)),
                (TextStyle::Button, FontId::proportional(size::BODY)),
                (TextStyle::Monospace, FontId::monospace(size::BODY)),
                (TextStyle::Heading, strong_font(size::HEADLINE)),
            ]
            .into();
            style.spacing.item_spacing = Vec2::new(8.0, 5.0);
            style.spacing.button_padding = Vec2::new(9.0, 4.0);
            style.spacing.interact_size = Vec2::new(24.0, 26.0);
            style.interaction.selectable_labels = false;
            style.animation_time = 0.0;
        });
    }

    fn visuals(&self) -> Visuals {
        let mut v = if self.dark { Visuals::dark() } else { Visuals::light() };
        v.override_text_color = None;
        v.panel_fill = self.page;
        v.window_fill = self.panel;
        v.window_stroke = Stroke::new(1.0, self.outline);
        v.extreme_bg_color = self.well;
        v.text_edit_bg_color = Some(self.well);
        v.faint_bg_color = self.well;
        v.weak_text_color = Some(self.quiet);
        v.hyperlink_color = self.lead;
        v.warn_fg_color = self.warn;
        v.error_fg_color = self.alarm;
        v.selection.bg_fill = self.button;
        v.selection.stroke = Stroke::new(1.0, self.on_button);
        v.text_cursor.blink = false;
        let corner = CornerRadius::same(4);
        let w = &mut v.widgets;
        // What has the focus has a thick edge; its ground stays, because many words on it have an ink of their own.
        for (state, fill, edge, width, text) in [
            (&mut w.noninteractive, self.panel, self.rule, 1.0, self.text),
            (&mut w.inactive, self.well, self.outline, 1.0, self.text),
            (&mut w.hovered, self.well, self.text, 1.0, self.text),
            (&mut w.active, self.well, self.lead, FOCUS_WIDTH, self.text),
            (&mut w.open, self.well, self.text, 1.0, self.text),
        ] {
            state.bg_fill = fill;
            state.weak_bg_fill = fill;
            state.bg_stroke = Stroke::new(width, edge);
            state.fg_stroke = Stroke::new(1.5, text);
            state.corner_radius = corner;
            state.expansion = 0.0;
        }
        v
    }

    /// The edge of what has the focus, for what is drawn by hand.
    #[must_use]
    pub const fn focus(&self) -> Stroke {
        Stroke { width: FOCUS_WIDTH, color: self.lead }
    }

    /// A panel of this theme.
    pub fn panel_frame(&self) -> egui::Frame {
        egui::Frame::new().fill(self.panel).corner_radius(CornerRadius::same(4)).inner_margin(Margin::same(size::GAP as i8))
    }
}

/// The letters: our own first, then those of the window library for signs that ours lack.
#[must_use]
pub fn font_definitions() -> FontDefinitions {
    let mut all = FontDefinitions::default();
    for (name, bytes) in [("regular", fonts::REGULAR), ("strong", fonts::STRONG)] {
        all.font_data.insert(name.into(), Arc::new(FontData::from_static(bytes)));
    }
    let proportional = all.families.entry(FontFamily::Proportional).or_default();
    proportional.insert(0, "regular".into());
    let mut heavy = proportional.clone();
    heavy.insert(0, "strong".into());
    all.families.insert(strong(), heavy);
    all
}

/// Gives the window its letters; once, at the start.
pub fn install_fonts(ctx: &egui::Context) {
    ctx.set_fonts(font_definitions());
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;

    /// Relative luminance and contrast ratio: W3C, WCAG 2.1, "relative luminance" and "contrast ratio".
    fn contrast(a: Color32, b: Color32) -> f64 {
        let channel = |c: u8| {
            let s = f64::from(c) / 255.0;
            if s <= 0.040_45 { s / 12.92 } else { ((s + 0.055) / 1.055).powf(2.4) }
        };
        let luminance = |c: Color32| 0.2126 * channel(c.r()) + 0.7152 * channel(c.g()) + 0.0722 * channel(c.b());
        let (x, y) = (luminance(a), luminance(b));
        (x.max(y) + 0.05) / (x.min(y) + 0.05)
    }

    #[test]
    fn the_contrast_formula_gives_the_standards_ends() {
        assert!((contrast(Color32::BLACK, Color32::WHITE) - 21.0).abs() < 1e-9);
        assert!((contrast(rgb(0x77_7777), Color32::WHITE) - 4.48).abs() < 0.01);
    }

    #[test]
    fn words_have_the_contrast_of_wcag_aa_in_both_themes() {
        for t in [DARK, LIGHT] {
            for ground in [t.page, t.panel, t.well] {
                for (name, ink) in [("text", t.text), ("quiet", t.quiet), ("lead", t.lead), ("warn", t.warn), ("alarm", t.alarm)] {
                    let c = contrast(ink, ground);
                    assert!(c >= 4.5, "{name} on {ground:?}, dark {}: {c:.2}", t.dark);
                }
            }
            let c = contrast(t.on_button, t.button);
            assert!(c >= 4.5, "button, dark {}: {c:.2}", t.dark);
        }
    }

    #[test]
    fn forms_have_the_contrast_of_wcag_aa_in_both_themes() {
        for t in [DARK, LIGHT] {
            for (i, band) in t.bands.into_iter().enumerate() {
                let c = contrast(band, t.panel);
                assert!(c >= 3.0, "band {i}, dark {}: {c:.2}", t.dark);
            }
            for ground in [t.page, t.panel, t.well] {
                let c = contrast(t.outline, ground);
                assert!(c >= 3.0, "outline on {ground:?}, dark {}: {c:.2}", t.dark);
            }
        }
    }

    #[test]
    fn what_has_the_focus_is_seen_and_its_words_are_read_in_both_themes() {
        for t in [DARK, LIGHT] {
            for ground in [t.page, t.panel, t.well] {
                assert!(contrast(t.focus().color, ground) >= 3.0, "focus on {ground:?}, dark {}", t.dark);
            }
            let v = t.visuals();
            for state in [v.widgets.inactive, v.widgets.hovered, v.widgets.active, v.widgets.open] {
                for ink in [t.text, t.quiet, t.lead, t.warn, t.alarm, state.fg_stroke.color] {
                    let c = contrast(ink, state.weak_bg_fill);
                    assert!(c >= 4.5, "{ink:?} on a button, dark {}: {c:.2}", t.dark);
                }
            }
            assert!(v.widgets.active.bg_stroke.width > v.widgets.inactive.bg_stroke.width, "the focus is told by form, not colour alone");
            assert!(contrast(t.on_button, v.selection.bg_fill) >= 4.5, "what is chosen, dark {}", t.dark);
        }
    }

    #[test]
    fn marks_over_the_frame_stand_out_from_black_and_from_each_other() {
        use over_frame as o;
        let all = [o::WORDS, o::QUIET, o::OS, o::EDGE, o::BODY, o::LAST_PLACENTA, o::END_OF_WALL, o::SINUS, o::RING]
            .into_iter()
            .chain([
                o::EXTERNAL_OS,
                o::CANAL,
                o::PLATES_MEET,
                o::BASAL,
                o::CHORIONIC,
                o::VESSEL,
                o::WALL,
                o::OS_END,
                o::OS_OTHER_END,
                o::OFFER,
            ])
            .collect::<Vec<_>>();
        for c in all.iter().copied() {
            assert!(contrast(c, o::CANVAS) >= 7.0);
        }
        for (i, a) in all.iter().enumerate() {
            assert!(!all[i + 1..].contains(a));
        }
    }

    #[test]
    fn every_sign_used_has_a_glyph() {
        let ctx = egui::Context::default();
        install_fonts(&ctx);
        ctx.run_ui(egui::RawInput::default(), |_| {}).textures_delta.clear();
        let signs = "✓○△◇⊘–—−×·±≥≤≈°µ…“”‘’→←↑↓½äöüßéñçøåłžĞıΩλДж日";
        let ours: String = signs.chars().filter(|c| *c != '日').collect();
        for family in [FontFamily::Proportional, strong()] {
            ctx.fonts_mut(|f| {
                for c in ours.chars() {
                    assert!(f.has_glyph(&FontId::new(14.0, family.clone()), c), "{c:?} in {family:?}");
                }
                assert!(!f.has_glyph(&FontId::new(14.0, family.clone()), '日'), "the test would not see a missing glyph");
            });
        }
    }
}
