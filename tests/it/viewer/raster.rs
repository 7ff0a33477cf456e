//! Draws the window's triangles on the CPU, so that screens can be looked at without a graphics card or a display.

use std::collections::HashMap;

use egui::epaint::{ImageData, Primitive, Vertex};
use egui::{Color32, Mesh, Rect, TextureFilter, TextureId, TextureOptions, TexturesDelta};
use egui_kittest::TestRenderer;
use image::{Rgba, RgbaImage};

struct Texture {
    size: [usize; 2],
    pixels: Vec<Color32>,
    options: TextureOptions,
}

impl Texture {
    fn at(&self, x: i64, y: i64) -> [f32; 4] {
        let clamp = |v: i64, n: usize| v.clamp(0, n as i64 - 1) as usize;
        let i = clamp(y, self.size[1]) * self.size[0] + clamp(x, self.size[0]);
        self.pixels[i].to_array().map(f32::from)
    }

    /// The texel under (u, v), 0 to 1, premultiplied, 0 to 255.
    fn sample(&self, u: f32, v: f32) -> [f32; 4] {
        let (x, y) = (u * self.size[0] as f32, v * self.size[1] as f32);
        if self.options.magnification == TextureFilter::Nearest {
            return self.at(x.floor() as i64, y.floor() as i64);
        }
        let (x, y) = (x - 0.5, y - 0.5);
        let (x0, y0) = (x.floor(), y.floor());
        let (fx, fy) = (x - x0, y - y0);
        let (x0, y0) = (x0 as i64, y0 as i64);
        let [a, b, c, d] = [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(i, j)| self.at(x0 + i, y0 + j));
        std::array::from_fn(|k| (a[k] * (1.0 - fx) + b[k] * fx) * (1.0 - fy) + (c[k] * (1.0 - fx) + d[k] * fx) * fy)
    }
}

/// A renderer for `egui_kittest` that needs nothing but the CPU.
#[derive(Default)]
pub struct CpuRenderer {
    textures: HashMap<TextureId, Texture>,
}

impl TestRenderer for CpuRenderer {
    fn handle_delta(&mut self, delta: &mut TexturesDelta) {
        let set: Vec<_> = delta.set.drain().collect();
        for (id, deltas) in set {
            for one in deltas {
                let ImageData::Color(image) = &one.image;
                match one.pos {
                    None => {
                        self.textures.insert(id, Texture { size: image.size, pixels: image.pixels.clone(), options: one.options });
                    }
                    Some([x, y]) => {
                        let Some(texture) = self.textures.get_mut(&id) else { continue };
                        for row in 0..image.size[1] {
                            let from = row * image.size[0];
                            let to = (y + row) * texture.size[0] + x;
                            texture.pixels[to..to + image.size[0]].copy_from_slice(&image.pixels[from..from + image.size[0]]);
                        }
                    }
                }
            }
        }
        delta.clear();
    }

    fn render(&mut self, ctx: &egui::Context, output: &egui::FullOutput) -> Result<RgbaImage, String> {
        let scale = output.pixels_per_point;
        let size = ctx.content_rect().size() * scale;
        let mut picture = RgbaImage::from_pixel(size.x as u32, size.y as u32, Rgba([0, 0, 0, 255]));
        for clipped in ctx.tessellate(output.shapes.clone(), scale) {
            if let Primitive::Mesh(mesh) = &clipped.primitive
                && let Some(texture) = self.textures.get(&mesh.texture_id)
            {
                draw(&mut picture, mesh, texture, clipped.clip_rect, scale);
            }
        }
        Ok(picture)
    }
}

fn draw(picture: &mut RgbaImage, mesh: &Mesh, texture: &Texture, clip: Rect, scale: f32) {
    let edge = |v: f32, most: u32| (v * scale).round().clamp(0.0, most as f32) as u32;
    let (left, right) = (edge(clip.left(), picture.width()), edge(clip.right(), picture.width()));
    let (top, bottom) = (edge(clip.top(), picture.height()), edge(clip.bottom(), picture.height()));
    for three in mesh.indices.chunks_exact(3) {
        let [a, b, c]: [&Vertex; 3] = std::array::from_fn(|i| &mesh.vertices[three[i] as usize]);
        let p = [a, b, c].map(|v| (v.pos.x * scale, v.pos.y * scale));
        let area = (p[1].0 - p[0].0) * (p[2].1 - p[0].1) - (p[1].1 - p[0].1) * (p[2].0 - p[0].0);
        if area == 0.0 {
            continue;
        }
        let least = |f: fn(&(f32, f32)) -> f32| p.iter().map(f).fold(f32::INFINITY, f32::min);
        let most = |f: fn(&(f32, f32)) -> f32| p.iter().map(f).fold(f32::NEG_INFINITY, f32::max);
        let xs = (least(|q| q.0).floor().max(left as f32) as u32)..(most(|q| q.0).ceil().clamp(left as f32, right as f32) as u32);
        let ys = (least(|q| q.1).floor().max(top as f32) as u32)..(most(|q| q.1).ceil().clamp(top as f32, bottom as f32) as u32);
        for y in ys {
            for x in xs.clone() {
                let (px, py) = (x as f32 + 0.5, y as f32 + 0.5);
                let weight = |i: usize, j: usize| ((p[i].0 - px) * (p[j].1 - py) - (p[i].1 - py) * (p[j].0 - px)) / area;
                let w = [weight(1, 2), weight(2, 0), weight(0, 1)];
                if w.iter().any(|w| *w < 0.0) {
                    continue;
                }
                let mix = |f: fn(&Vertex) -> f32| w[0] * f(a) + w[1] * f(b) + w[2] * f(c);
                let texel = texture.sample(mix(|v| v.uv.x), mix(|v| v.uv.y));
                let colour =
                    [mix(|v| v.color.r().into()), mix(|v| v.color.g().into()), mix(|v| v.color.b().into()), mix(|v| v.color.a().into())];
                let source: [f32; 4] = std::array::from_fn(|k| texel[k] * colour[k] / 255.0);
                let under = picture.get_pixel_mut(x, y);
                for k in 0..3 {
                    under.0[k] = (source[k] + f32::from(under.0[k]) * (1.0 - source[3] / 255.0)).round().clamp(0.0, 255.0) as u8;
                }
            }
        }
    }
}
