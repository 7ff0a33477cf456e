//! Prints the figures that the documents quote: `tests/figures NAME`. The same seeds always print the same text.
#![allow(unreachable_pub, missing_docs, clippy::print_stdout, clippy::print_stderr, clippy::expect_used)]

#[path = "../common/mod.rs"]
mod common;

use std::process::ExitCode;

use osspan::calibrate::{Basis, Calibration, U_HEADER_X, U_HEADER_Y, U_SOUND_SPEED};
use osspan::measure::{EdgeMark, Landmarks, Repeatability, Side, edge_to_os};
use osspan::units::PxPoint;

use common::coverage::{ANGLES_DEGREES, DISTANCES_MM, READINGS, SIDES, coverage, seed};

/// Every figure there is.
const NAMES: [&str; 6] = ["error-terms", "coverage", "exam", "phantom", "assist", "practice"];

fn main() -> ExitCode {
    let name = std::env::args().nth(1).unwrap_or_default();
    match name.as_str() {
        "--list" => NAMES.iter().for_each(|name| println!("{name}")),
        "error-terms" => print!("{}", error_terms()),
        "coverage" => print!("{}", coverage_table()),
        "phantom" => print!("{}", phantom_table()),
        "exam" => print!("{}", exam_table()),
        "assist" => print!("{}", assist_table()),
        "practice" => print!("{}", practice_table()),
        _ => {
            eprintln!("no figure \"{name}\"; there are: {}", NAMES.join(", "));
            return ExitCode::from(2);
        }
    }
    ExitCode::SUCCESS
}

/// Share of simulated readings whose 95 % interval holds the true distance, per cent.
fn coverage_table() -> String {
    let angles: String = ANGLES_DEGREES.iter().map(|a| format!(" {a}° |")).collect();
    let mut text = format!(
        "Share of simulated readings whose 95 % interval holds the true distance, in per cent; {READINGS} readings per cell.\n\n\
         | true distance, mm | side | {}\n|---:|---|{}\n",
        angles.trim_start(),
        "---:|".repeat(ANGLES_DEGREES.len())
    );
    for (i, truth) in DISTANCES_MM.into_iter().enumerate() {
        for (k, (from, name)) in SIDES.into_iter().enumerate() {
            let cells: String = ANGLES_DEGREES
                .into_iter()
                .enumerate()
                .map(|(j, degrees)| format!(" {:.1} |", 100.0 * coverage(truth, degrees, from, READINGS, seed(i, j, k))))
                .collect();
            text.push_str(&format!("| {truth} | {name} |{cells}\n"));
        }
    }
    text
}

/// The terms of the error with their sources, and what they come to at some distances along each image axis.
fn error_terms() -> String {
    const STATED_SCALE: f64 = 0.1;
    let scale = Calibration::unchecked_header(STATED_SCALE, STATED_SCALE, Basis::HeaderRegion { region: 1 }).expect("a scale");
    let repeatability = Repeatability::assumed_total();
    let (across, down) = ([1.0, 0.0], [0.0, 1.0]);
    let measured = |mm: f64, [x, y]: [f64; 2]| {
        let px = mm / STATED_SCALE;
        let at = |away: f64| PxPoint::new(100.0 + away * x, 100.0 + away * y);
        let edge = EdgeMark::PlacentalEdge { at: at(px) };
        let marks = Landmarks { internal_os: at(0.0), edge, placental_body: Some(at(px + 100.0)), marginal_sinus: None };
        edge_to_os(&marks, Side::NotCovering, &scale, &repeatability).expect("a distance")
    };
    let mut text = format!(
        "| term | one SD | source |\n|---|---|---|\n\
         | placing and acquiring together | {} | {} |\n\
         | scale across, scale down | {:.2} % and {:.2} % of the length | {} |\n\
         | speed of sound | {:.2} % of the length | {} |\n\n\
         With a body point on the axis:\n\n\
         | distance, mm | direction | placing and acquiring | scale | speed of sound | all, u | 95 % interval, mm |\n\
         |---:|---|---:|---:|---:|---:|---|\n",
        repeatability.sd_mm,
        repeatability.source,
        100.0 * U_HEADER_X,
        100.0 * U_HEADER_Y,
        scale.scale_source(),
        100.0 * U_SOUND_SPEED,
        scale.sound_speed_source(),
    );
    for mm in [2.0, 5.0, 10.0, 20.0, 40.0] {
        for (direction, name) in [(across, "across"), (down, "down")] {
            let m = measured(mm, direction);
            let terms: String = m.terms.iter().map(|t| format!(" {:.2} |", t.u_mm.get())).collect();
            let end = |e: Option<osspan::units::Mm>| e.map_or("open".into(), |mm| format!("{:.1}", mm.get()));
            let (low, high) = (end(m.interval.low_mm), end(m.interval.high_mm));
            text.push_str(&format!("| {mm} | {name} |{terms} {:.2} | {low} to {high} |\n", m.u_mm.get()));
        }
    }
    text
}

/// Simulated exams: how often the two exam values hold the true distance, and how far off they are on average.
fn exam_table() -> String {
    use common::exam::{Case, DEGREES, EXAMS, FRAMES, MOST_LENGTHENING_MM, TRUTHS_MM, run, seed};
    let mut text = format!(
        "Simulated exams, {EXAMS} per row; reading SD 2 mm in both directions, scale and speed of sound drawn once an exam.\n\
         Shares in per cent, biases in mm. Exam distance: 95 % interval, aimed at 95. Shortest seen: upper limit, aimed at 97.5 or more;\n\
         both limits only with a stated model of lengthening. \"Planes lengthen\": evenly by 0 to so many mm.\n\n\
         | true, mm | frames | planes lengthen, mm | model stated | SD known from | exam interval holds | exam bias | upper limit holds | both limits hold | shortest seen bias | said to stand apart |\n\
         |---:|---:|---:|---|---|---:|---:|---:|---:|---:|---:|\n"
    );
    let mut cases = Vec::new();
    for truth in TRUTHS_MM {
        for frames in FRAMES {
            cases.extend(DEGREES.map(|degrees| Case { truth, frames, lengthening: 0.0, told: false, degrees }));
            if truth > 0.0 {
                let lengthening = MOST_LENGTHENING_MM;
                cases.extend([false, true].map(|told| Case { truth, frames, lengthening, told, degrees: None }));
            }
        }
    }
    for case in cases {
        let got = run(case, EXAMS, seed(case));
        let per_cent = |share: f64| format!("{:.1}", 100.0 * share);
        let (clear, told) = (case.truth > 0.0, case.told);
        let only = |when: bool, value: String| if when { value } else { "–".into() };
        text.push_str(&format!(
            "| {} | {} | {} | {} | {} | {} | {:+.2} | {} | {} | {} | {} |\n",
            case.truth,
            case.frames,
            case.lengthening,
            if told { "yes" } else { "no" },
            case.degrees.map_or("known".into(), |d| format!("{d} degrees")),
            per_cent(got.exam_interval_holds),
            got.exam_bias,
            only(clear, per_cent(got.upper_limit_holds)),
            only(clear && told, per_cent(got.both_limits_hold)),
            only(clear, format!("{:+.2}", got.shortest_bias)),
            per_cent(got.stands_apart),
        ));
    }
    text
}

/// How well phantom checks find a known scale, and how often their intervals hold it.
fn phantom_table() -> String {
    let mut text = format!(
        "Phantom checks of drawn frames with a known distortion ({} frames a phantom): largest error of what was found; and the share\n\
         of 95 % intervals that hold the true scale when pins are misplaced ({} sets of pins a phantom).\n\n\
         | phantom | pins | scale across, % | scale down, % | rotation, degrees | shear, % | held across, % | held down, % |\n\
         |---|---:|---:|---:|---:|---:|---:|---:|\n",
        common::phantom::FRAMES,
        common::phantom::SETS
    );
    for d in osspan::phantom::phantoms().expect("phantoms") {
        let (f, c) = (common::phantom::on_frames(&d.id), common::phantom::coverage(&d.id));
        text.push_str(&format!(
            "| {} | {} | {:.3} | {:.3} | {:.3} | {:.3} | {:.1} | {:.1} |\n",
            d.id,
            d.pins().len(),
            100.0 * f.worst[0],
            100.0 * f.worst[1],
            f.rotation,
            100.0 * f.shear,
            100.0 * c[0],
            100.0 * c[1]
        ));
    }
    text
}

/// Simulated trainees: what the scores find of what they were given, and what the competence chart says of them.
fn practice_table() -> String {
    use common::practice::{CASES, KINDS, TRAINEES, recover};
    use osspan::practice::competence::{HORIZON, Looks, RATES, chance_within};
    let mut text = format!(
        "{TRAINEES} simulated trainees of each kind answer {CASES} cases of levels 2 to 6. \"Held\": share of 95 % intervals that hold what was put \
         in, aimed at 95 for bias and SD, and at 95 or more for shares.\n\n\
         | bias, SD put in, mm | misleading frames read, good ones rejected, % | mean bias found, mm | mean SD found, mm | bias held, % | SD held, % | rejecting held, % | reading held, % | done well, % | called competent, % |\n\
         |---|---|---:|---:|---:|---:|---:|---:|---:|---:|\n"
    );
    for (i, k) in KINDS.iter().enumerate() {
        let r = recover(k, TRAINEES, 1 + i as u64);
        let percent = |share: f64| format!("{:.0}", 100.0 * share);
        text.push_str(&format!(
            "| {:+.1}, {:.1} | {}, {} | {:+.2} | {:.2} | {} | {} | {} | {} | {} | {} |\n",
            k.bias,
            k.sd,
            percent(k.misses),
            percent(k.rejects),
            r.bias,
            r.sd,
            percent(r.bias_held),
            percent(r.sd_held),
            percent(r.rejected_held),
            percent(r.read_held),
            percent(r.well),
            percent(r.competent)
        ));
    }
    text.push_str(&format!(
        "\nThe competence chart (limit {}, acceptable {:.0} %, unacceptable {:.0} % failures): exact chance, in per cent, of being called competent \
         within so many cases, and of a decline being said afterwards.\n\n\
         | failures, % | 30 cases | {HORIZON} cases | 100 cases | decline within {HORIZON} |\n|---:|---:|---:|---:|---:|\n",
        RATES.limit,
        100.0 * RATES.acceptable,
        100.0 * RATES.unacceptable
    ));
    for rate in [0.02, 0.05, 0.10, 0.15, 0.25, 0.40] {
        let at = |cases, looks| format!("{:.1}", 100.0 * chance_within(cases, rate, &RATES, looks));
        let learning = Looks::ForCompetence;
        text.push_str(&format!(
            "| {:.0} | {} | {} | {} | {} |\n",
            100.0 * rate,
            at(30, learning),
            at(HORIZON, learning),
            at(100, learning),
            at(HORIZON, Looks::ForDecline)
        ));
    }
    text
}

/// The edge assist: errors of simulated clicks against refined ones, by contrast, and how often it makes them worse.
fn assist_table() -> String {
    use common::assist::{BANDS, CLICKS, Click, FRAMES, PLACENTAS, STEPS_DB, Tally, placenta_frame, round_frame, seed, tally};
    use osspan::assist::{LEAST_CONTRAST, MOST_SD};
    let frames: Vec<Vec<Click>> =
        STEPS_DB.iter().enumerate().map(|(k, step)| (0..FRAMES).flat_map(|i| round_frame(*step, seed(k, i))).collect()).collect();
    let placentas: Vec<Click> = (0..PLACENTAS).flat_map(|i| placenta_frame(seed(99, i))).collect();
    let cells = |t: Tally| {
        format!(
            "{} | {:.1} | {:.2} | {:.2} | {:.0} | {:.0} | {:.0} |",
            t.clicks,
            t.contrast,
            t.raw,
            t.refined,
            100.0 * t.worse,
            100.0 * t.much_worse,
            100.0 * t.held
        )
    };
    let head = "clicks | mean contrast | error of clicks, mm | refined, mm | made worse, % | by more than 0.5 mm, % | within 1.96 SD, % |";
    let rule = "---:|---:|---:|---:|---:|---:|---:|";
    let mut text = format!(
        "{} synthetic frames of two tissues with a known edge and {PLACENTAS} whole ones with a placental edge, {CLICKS} simulated clicks on each, \
         SD 1 mm in both directions. Errors are root mean squares: along the edge's normal for two tissues, in the plane for a placental edge.\n\n\
         By contrast-to-noise ratio as found, with no rule when to offer:\n\n| contrast | {head}\n|---|{rule}\n",
        FRAMES as usize * STEPS_DB.len()
    );
    let all: Vec<Click> = frames.iter().flatten().copied().collect();
    let mut from = f64::NEG_INFINITY;
    for to in BANDS {
        let name = match (from.is_finite(), to.is_finite()) {
            (false, _) => format!("under {to}"),
            (true, true) => format!("{from} to {to}"),
            (true, false) => format!("{from} or more"),
        };
        let within = all.iter().filter(|c| c.refined.is_some_and(|(_, o)| (from..to).contains(&o.contrast)));
        text.push_str(&format!("| {name} | {}\n", cells(tally(within))));
        from = to;
    }
    text.push_str(&format!(
        "\nWhat is offered (contrast {LEAST_CONTRAST} or more, SD {MOST_SD} mm or less), by the difference of the tissues:\n\n\
         | difference, dB | offered, % | {head}\n|---:|---:|{rule}\n"
    ));
    let offered = |clicks: &[Click]| {
        let share = clicks.iter().filter(|c| c.offered).count() as f64 / clicks.len().max(1) as f64;
        format!("{:.0} | {}", 100.0 * share, cells(tally(clicks.iter().filter(|c| c.offered))))
    };
    for (step, clicks) in STEPS_DB.iter().zip(&frames) {
        text.push_str(&format!("| {step} | {}\n", offered(clicks)));
    }
    text.push_str(&format!("| all of them | {}\n", offered(&all)));
    text.push_str(&format!(
        "\nAt the leading edge of a placenta, which is a tip, with no rule when to offer; none is offered there:\n\n| {head}\n|{rule}\n| {}\n",
        cells(tally(&placentas))
    ));
    text
}
