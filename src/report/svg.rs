//! Plots as SVG, for pages of HTML.

use std::fmt::Write as _;

use super::pdf::on_paper;
use crate::plot::{Anchor, Ink, Shape};

/// Text made safe between and inside tags.
#[must_use]
pub fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

fn hex(c: [u8; 3]) -> String {
    format!("#{:02x}{:02x}{:02x}", c[0], c[1], c[2])
}

fn points(all: &[[f64; 2]]) -> String {
    all.iter().map(|p| format!("{:.2},{:.2}", p[0], p[1])).collect::<Vec<_>>().join(" ")
}

/// The shapes of a plot on white paper.
#[must_use]
pub fn plot(shapes: &[Shape]) -> String {
    drawn(shapes, &|ink| hex(on_paper(ink)), "#ffffff", 0.0)
}

/// The shapes over a frame: white with a dark halo.
#[must_use]
pub fn overlay(shapes: &[Shape]) -> String {
    let dark = drawn(shapes, &|_| "#080a0b".to_owned(), "#080a0b", 1.8);
    dark + &drawn(shapes, &|_| "#ffffff".to_owned(), "#080a0b", 0.0)
}

fn drawn(shapes: &[Shape], ink_of: &dyn Fn(Ink) -> String, ground: &str, broader: f64) -> String {
    let mut out = String::new();
    for shape in shapes {
        // Writing to a String cannot fail.
        let _ = match shape {
            Shape::Bar { x, y, width, height, ink } => {
                write!(out, r#"<rect x="{x:.2}" y="{y:.2}" width="{width:.2}" height="{height:.2}" fill="{}"/>"#, ink_of(*ink))
            }
            Shape::Line { points: p, width, ink } => write!(
                out,
                r#"<polyline points="{}" fill="none" stroke="{}" stroke-width="{:.2}" stroke-linecap="round" stroke-linejoin="round"/>"#,
                points(p),
                ink_of(*ink),
                width + broader
            ),
            Shape::Under { points: p, base, ink } => {
                let ends = p.last().map(|q| [q[0], *base]).into_iter().chain(p.first().map(|q| [q[0], *base]));
                let all: Vec<[f64; 2]> = p.iter().copied().chain(ends).collect();
                write!(out, r#"<polygon points="{}" fill="{}"/>"#, points(&all), ink_of(*ink))
            }
            Shape::Dot { at, radius, filled, ink } => {
                let ink = ink_of(*ink);
                let (inside, edge) = if *filled { (ink.as_str(), ground) } else { (ground, ink.as_str()) };
                write!(out, r#"<circle cx="{:.2}" cy="{:.2}" r="{radius:.2}" fill="{inside}" stroke="{edge}"/>"#, at[0], at[1])
            }
            Shape::Triangle { at, height, ink } => {
                let half = height * 0.55;
                let corners = [[at[0] - half, at[1]], [at[0] + half, at[1]], [at[0], at[1] - height]];
                write!(out, r#"<polygon points="{}" fill="{ground}" stroke="{}"/>"#, points(&corners), ink_of(*ink))
            }
            Shape::Text { at, anchor, size, text, ink } => {
                let anchor = match anchor {
                    Anchor::Start => "start",
                    Anchor::Middle => "middle",
                    Anchor::End => "end",
                };
                if broader > 0.0 {
                    // Only the letter's ground, so that its text stands once.
                    let wide = size * 0.6 * text.chars().count() as f64 + 3.0;
                    let (x, y) = (at[0] - wide / 2.0, at[1] - size * 0.56);
                    write!(out, r#"<rect x="{x:.2}" y="{y:.2}" width="{wide:.2}" height="{:.2}" fill="{ground}"/>"#, size * 1.12)
                } else {
                    write!(
                        out,
                        r#"<text x="{:.2}" y="{:.2}" font-size="{size:.2}" text-anchor="{anchor}" fill="{}">{}</text>"#,
                        at[0],
                        at[1] + size * 0.36,
                        ink_of(*ink),
                        escaped(text)
                    )
                }
            }
        };
    }
    out
}
