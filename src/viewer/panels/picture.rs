//! A frame as the graphics side has it: made once for each frame and each way of showing it.

use egui::{Color32, ColorImage, TextureHandle, TextureOptions, Ui};

use crate::frame::{Frame, Samples};
use crate::viewer::session::FrameKey;
use crate::viewer::tones::Tones;

/// How a frame is shown: its grey scale, and whether single pixels stay visible when it is enlarged.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Showing {
    /// The grey scale.
    pub tones: Tones,
    /// Pixels as squares instead of smoothed.
    pub single_pixels: bool,
}

/// A picture on the graphics side, made once for each key: by itself, a frame.
pub struct Picture<K = FrameKey> {
    made: Option<(K, Showing, TextureHandle)>,
}

impl<K> Default for Picture<K> {
    fn default() -> Self {
        Self { made: None }
    }
}

impl<K: Clone + PartialEq> Picture<K> {
    pub(super) fn of(&mut self, ui: &Ui, key: &K, frame: &Frame, showing: Showing) -> TextureHandle {
        if let Some((k, s, texture)) = &self.made
            && k == key
            && *s == showing
        {
            return texture.clone();
        }
        let image = image(frame, showing.tones);
        let options = if showing.single_pixels { TextureOptions::NEAREST } else { TextureOptions::LINEAR };
        // One texture for all: a playing cine must not leave a trail of them.
        let texture = match self.made.take() {
            Some((_, _, mut texture)) => {
                texture.set(image, options);
                texture
            }
            None => ui.ctx().load_texture("frame", image, options),
        };
        self.made = Some((key.clone(), showing, texture.clone()));
        texture
    }
}

/// The copy that is shown.
fn image(frame: &Frame, tones: Tones) -> ColorImage {
    let size = [frame.width as usize, frame.height as usize];
    let pixels = size[0] * size[1];
    let table = tones.table();
    let shown = |v: u8| table[usize::from(v)];
    match &frame.samples {
        Samples::Rgb8(d) if d.len() == pixels * 3 => {
            ColorImage::new(size, d.chunks_exact(3).map(|p| Color32::from_rgb(shown(p[0]), shown(p[1]), shown(p[2]))).collect())
        }
        Samples::Gray8(d) if d.len() == pixels => {
            let greys = table.map(Color32::from_gray);
            ColorImage::new(size, d.iter().map(|v| greys[usize::from(*v)]).collect())
        }
        Samples::Gray16 { data, .. } if data.len() == pixels => {
            let rgba = frame.to_rgba8();
            ColorImage::new(size, rgba.chunks_exact(4).map(|p| Color32::from_rgb(shown(p[0]), shown(p[1]), shown(p[2]))).collect())
        }
        _ => ColorImage::filled([1, 1], Color32::BLACK),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::FrameId;

    #[test]
    fn the_copy_changes_and_the_samples_do_not() {
        let id = FrameId { sha256: "a".into(), sop_instance_uid: None, frame_number: 1 };
        let frame = Frame { id, width: 2, height: 1, samples: Samples::Gray8(vec![10, 200]) };
        let before = frame.clone();
        let inverted = image(&frame, Tones { invert: true, ..Tones::AS_STORED });
        assert_eq!(inverted.pixels, [Color32::from_gray(245), Color32::from_gray(55)]);
        assert_eq!(image(&frame, Tones::AS_STORED).pixels, [Color32::from_gray(10), Color32::from_gray(200)]);
        assert_eq!(frame, before);
    }
}
