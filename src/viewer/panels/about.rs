//! What the program says of itself: version and build, cautions, and the licences of everything in it.

use egui::{ColorImage, Context, RichText, ScrollArea, TextureHandle, TextureOptions, Ui};

use super::overlay::panel;
use super::{heavy, plain, rule};
use crate::viewer::action::Action;
use crate::viewer::icon;
use crate::viewer::session::Session;
use crate::viewer::theme::{Theme, size};

/// Every crate with its version and licence, from `tests/tools/licences.py`.
pub const LICENCES: &str = include_str!("../licences.txt");
/// Side of the icon, px.
const ICON: usize = 128;

/// What always holds.
pub const CAUTIONS: [&str; 5] = [
    "Not a certified medical device. It supports, and does not replace, a licensed clinician's judgement and local protocol.",
    "Bleeding, pain or contractions override any distance.",
    "A reassuring distance never excludes haemorrhage, vasa previa or placenta accreta.",
    "A flat picture can show a longer way than the shortest one.",
    "The sample exam and practice frames are synthetic and their patients invented.",
];

/// Version, how it was built, and for what.
#[must_use]
pub fn build_words() -> String {
    let how = if cfg!(debug_assertions) { "development build" } else { "release build" };
    let (name, version, rust) = (env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION"), env!("CARGO_PKG_RUST_VERSION"));
    let system = match () {
        () if cfg!(target_os = "windows") => "Windows",
        () if cfg!(target_os = "macos") => "macOS",
        () if cfg!(target_os = "linux") => "Linux",
        () => "another system",
    };
    let processor = match () {
        () if cfg!(target_arch = "x86_64") => "x86-64",
        () if cfg!(target_arch = "aarch64") => "ARM 64",
        () => "another processor",
    };
    format!("{name} {version} · {how} · {system}, {processor} · Rust {rust}")
}

/// The icon as the graphics side has it.
pub(super) fn icon_texture(ctx: &Context) -> TextureHandle {
    let id = egui::Id::unique("icon");
    if let Some(made) = ctx.data(|d| d.get_temp::<TextureHandle>(id)) {
        return made;
    }
    let image = ColorImage::from_rgba_unmultiplied([ICON, ICON], &icon::pixels(ICON));
    let made = ctx.load_texture("icon", image, TextureOptions::LINEAR);
    ctx.data_mut(|d| d.insert_temp(id, made.clone()));
    made
}

/// Draws it while it is asked for.
pub fn show(ctx: &Context, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    if !session.about() {
        return actions;
    }
    panel(ctx, "Osspan", 640.0, theme, |ui| {
        let room = (ctx.content_rect().height() - 150.0).max(120.0);
        ScrollArea::vertical().id_salt("about").max_height(room).min_scrolled_height(room).show(ui, |ui| contents(ui, theme));
        if ui.button("Close (Esc)").clicked() {
            actions.push(Action::ToggleAbout);
        }
    });
    actions
}

fn contents(ui: &mut Ui, theme: &Theme) {
    ui.horizontal(|ui| {
        ui.image(egui::ImageSource::Texture(egui::load::SizedTexture::new(icon_texture(ui.ctx()).id(), [56.0, 56.0])));
        ui.vertical(|ui| {
            plain(ui, build_words(), theme.text);
            plain(ui, env!("CARGO_PKG_DESCRIPTION"), theme.quiet);
        });
    });
    rule(ui, theme);
    ui.label(heavy("Cautions", size::BODY, theme.text));
    for caution in CAUTIONS {
        plain(ui, format!("– {caution}"), theme.text);
    }
    rule(ui, theme);
    ui.label(heavy("Licences", size::BODY, theme.text));
    plain(
        ui,
        format!("This program: {}. Letters: DejaVu Sans Condensed 2.37, under its own free licence.", env!("CARGO_PKG_LICENSE")),
        theme.text,
    );
    plain(
        ui,
        format!(
            "Built from {} crates; those of the tests and of other platforms are listed too. Their texts come with their sources.",
            LICENCES.lines().count()
        ),
        theme.quiet,
    );
    for line in LICENCES.lines() {
        ui.label(RichText::new(line).size(size::SMALL).color(theme.quiet));
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn every_crate_of_the_lock_file_is_listed_with_its_version_and_a_licence() {
        let lock: toml::Value = toml::from_str(include_str!("../../../Cargo.lock")).unwrap();
        let locked: BTreeSet<String> = lock["package"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|p| p.get("source").is_some())
            .map(|p| format!("{} {}", p["name"].as_str().unwrap(), p["version"].as_str().unwrap()))
            .collect();
        let listed: BTreeSet<String> = LICENCES.lines().map(|l| l.split_once(": ").unwrap().0.to_owned()).collect();
        let (missing, surplus) = (locked.difference(&listed), listed.difference(&locked));
        assert_eq!((missing.collect::<Vec<_>>(), surplus.collect::<Vec<_>>()), (vec![], vec![]), "run tests/tools/licences.py --update");
        assert!(LICENCES.lines().all(|l| l.split_once(": ").is_some_and(|(_, licence)| licence.len() > 2)));
    }

    #[test]
    fn it_says_that_it_is_no_certified_device_and_which_build_it_is() {
        assert!(CAUTIONS.iter().any(|c| c.contains("Not a certified medical device")));
        assert!(build_words().contains(env!("CARGO_PKG_VERSION")));
    }
}
