//! The report, and the patient's page, as one self-contained HTML file each: no script, nothing fetched.

use base64::Engine as _;
use image::ImageEncoder as _;
use minijinja::value::Serde;
use minijinja::{Environment, Value, context};
use serde::Serialize;

use super::{CLOSING, Part, PatientPage, Picture, Raster, Report, Weight, qr, svg};
use crate::error::{Error, ErrorKind, Result};
use crate::plot::distance_line::Room;

/// Width of the deciding frame in the page's own units.
const FRAME: f64 = 320.0;

#[derive(Clone, Debug, Serialize)]
struct Figure {
    number: usize,
    width: f64,
    height: f64,
    headline: String,
    caption: String,
    missing: Option<String>,
    source: Value,
    overlay: Value,
}

fn safe(markup: String) -> Value {
    Value::from_safe_string(markup)
}

fn fault(e: impl std::fmt::Display) -> Error {
    Error::new(ErrorKind::Format, "the HTML cannot be written").found(e.to_string())
}

/// A picture as a data address: PNG, samples as shown.
fn address(raster: &Raster) -> Result<String> {
    let mut png = Vec::new();
    image::codecs::png::PngEncoder::new(&mut png)
        .write_image(&raster.rgba, raster.width, raster.height, image::ExtendedColorType::Rgba8)
        .map_err(fault)?;
    Ok(format!("data:image/png;base64,{}", base64::engine::general_purpose::STANDARD.encode(png)))
}

fn figure(picture: &Picture) -> Result<Figure> {
    let source = match &picture.raster {
        Ok(r) => address(r)?,
        Err(_) => String::new(),
    };
    Ok(Figure {
        number: picture.number,
        width: FRAME,
        height: picture.height_at(FRAME),
        headline: picture.headline.clone(),
        caption: picture.caption(),
        missing: picture.raster.as_ref().err().cloned(),
        source: safe(source),
        overlay: safe(svg::overlay(&picture.overlay(FRAME, 11.0))),
    })
}

/// The report as HTML.
///
/// # Errors
/// [`ErrorKind::Format`] when a picture cannot be written, which only a fault of this program makes.
pub fn html(report: &Report) -> Result<String> {
    let figures = report.pictures.iter().map(figure).collect::<Result<Vec<_>>>()?;
    let line = Room { width: 1000.0, height: 170.0, letters: 13.5 };
    let serial = Room { width: 520.0, height: 170.0, letters: 9.5 };
    let has_line = report.line.reading.is_some() || !report.line.marks.is_empty();
    let (alarms, others): (Vec<Part>, Vec<Part>) = report.parts.iter().cloned().partition(|p| p.weight == Weight::Alarm);
    let mut env = Environment::new();
    env.add_template("report.html", include_str!("templates/report.html")).map_err(fault)?;
    env.get_template("report.html")
        .and_then(|t| {
            t.render(context! {
                standing => report.standing.words(),
                watermark => report.standing.watermark(),
                pairs => Serde(report.identity.iter().chain(&report.facts).cloned().collect::<Vec<_>>()),
                alarms => Serde(alarms),
                parts => Serde(others),
                headline => report.headline.as_str(),
                detail => report.detail.as_str(),
                finding => report.finding.as_str(),
                straddling => report.straddling.clone(),
                table => report.table.as_str(),
                figures => Serde(figures),
                line => has_line.then(|| safe(svg::plot(&report.line.shapes(line)))),
                serial => report.has_serial().then(|| safe(svg::plot(&report.serial.shapes(serial)))),
                sources => report.numbered_sources(),
                sources_note => super::SOURCES_NOTE,
                digest => report.digest(),
                digest_words => report.digest_words(),
                code => safe(code(&report.code())),
                made_at => report.made_at.as_str(),
                software => report.software.as_str(),
                closing => CLOSING,
            })
        })
        .map_err(fault)
}

fn code(text: &str) -> String {
    let one = |[x, y, w, h]: [f64; 4]| format!(r#"<rect x="{x:.3}" y="{y:.3}" width="{w:.3}" height="{h:.3}"/>"#);
    qr::bars(text, 100.0).into_iter().map(one).collect()
}

/// The patient's page as HTML, in the direction of its language.
///
/// # Errors
/// [`ErrorKind::Format`] when the bundled template is faulty, which a test rules out.
pub fn patient_html(page: &PatientPage) -> Result<String> {
    let mut env = Environment::new();
    env.add_template("patient.html", include_str!("templates/patient.html")).map_err(fault)?;
    env.get_template("patient.html").and_then(|t| t.render(context! { page => Serde(page.clone()) })).map_err(fault)
}
