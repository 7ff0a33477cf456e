//! What is said of a case once it was answered, and of scores.

use super::KINDER;
use super::marking::{Expected, Marked, TARGET_SD_MM, WITHIN_MM};
use super::score::{Score, Share, Spread};
use crate::synth::Truth;
use crate::synth::cases::{EdgeForm, NEAR_MM, THRESHOLDS_MM, Trap, Wanted};

/// What is said of a number that no source claims.
const OWN: &str = "an assumption of this program";
/// The line that comes with a frame which is the nearest that the sweep showed.
pub(super) const SWEEP_NEAREST_HERE: &str = "Sagittal frame. On the sweep from side to side the edge came no nearer to the os than here.";
/// The line that comes with a frame that is not.
pub(super) const SWEEP_NEARER_ELSEWHERE: &str =
    "Sagittal frame. On the sweep from side to side the edge came nearer to the os than here, away from the midline.";

/// Why a case is what it is, in short sentences.
pub(super) fn why(wanted: &Wanted, truth: &Truth) -> Vec<String> {
    let mut out = Vec::new();
    match wanted.trap {
        Trap::None => out.push("Nothing speaks against reading this frame.".into()),
        Trap::FullBladder => {
            out.push("The bladder is full: it presses on the lower segment. Have it emptied and scan again.".into());
            if truth.apposed_mm > 0.0 {
                out.push(format!(
                    "It closes the lower segment over {:.0} mm above the true os, which looks like more cervix: an os marked at its upper end \
                     makes a placenta seem to reach it. The dark lining of the canal ends at the true os.",
                    truth.apposed_mm
                ));
            }
        }
        Trap::Contraction => out.push(
            "The swelling on the other wall is a contraction: it has the texture of muscle and no bright surface plate. It comes and goes; \
             wait 20 to 60 minutes and scan again."
                .into(),
        ),
        Trap::OffAxis => out.push(format!(
            "The plane lies {:.0}° off the shortest way: the edge is {} away here and {} on the shortest way. The sonographer's line said \
             that it came nearer on the sweep; read that frame.",
            truth.off_axis_degrees,
            mm(truth.edge_to_os_mm),
            mm(truth.shortest_mm)
        )),
        Trap::NoScale => {
            out.push("The file has no scale and the picture no depth marks: there are no millimetres to be had. Ask for the original file.".into());
        }
    }
    match wanted.edge {
        EdgeForm::Usual => {}
        EdgeForm::Thin => out.push("The edge is thin: its tip lies farther out than the part that is easily seen.".into()),
        EdgeForm::Thick => out.push("The edge is thick and blunt: its nearest point to the os counts, not its middle.".into()),
        EdgeForm::Sinus => {
            out.push("A marginal sinus lies beyond the edge: it is no placenta and does not decide; it is marked apart.".into())
        }
    }
    if wanted.trap == Trap::None
        && let Some(at) = THRESHOLDS_MM.iter().find(|at| (wanted.distance_mm - **at).abs() <= NEAR_MM)
    {
        out.push(format!(
            "The true distance, {}, lies within {NEAR_MM:.0} mm of {at:.0} mm, which counts as near ({OWN}): a reading with the usual error falls on the wrong side often. \
             Near a limit, measure again.",
            mm(truth.edge_to_os_mm)
        ));
    }
    out
}

/// A signed distance in words.
fn mm(signed: f64) -> String {
    if signed < 0.0 { format!("overlapping by {:.1} mm", -signed) } else { format!("{signed:.1} mm") }
}

/// What came of an answer, in sentences: the decision, the error with its sign and direction, the finding.
#[must_use]
pub fn error_words(m: &Marked) -> Vec<String> {
    let mut out = Vec::new();
    out.push(match (m.expected, m.decision_right, m.reason_right) {
        (Expected::Read, true, _) => "Right to read it.".to_owned(),
        (Expected::Read, false, _) => "Rejected, but it could be read.".to_owned(),
        (Expected::Reject { reason }, false, _) => format!("Read, but it should have been rejected: {}.", reason.words()),
        (Expected::Reject { .. }, true, Some(true)) => "Right to reject it, and for the right reason.".to_owned(),
        (Expected::Reject { reason }, true, _) => format!("Right to reject it; the reason is another: {}.", reason.words()),
    });
    if let (Some(truth), Some(read), Some(error)) = (m.true_mm, m.read_mm, m.error_mm) {
        let (truth, read, error) = (truth.get(), read.get(), error.get());
        let way = match (error > 0.0, truth < 0.0 && read < 0.0) {
            _ if error.abs() < 0.05 => "as it is",
            (true, true) => "less overlap than there is",
            (false, true) => "more overlap than there is",
            (true, false) => "farther from the os than it is",
            (false, false) => "nearer to the os than it is",
        };
        let signed = format!("{error:+.1}").replace('-', "−");
        out.push(format!("Error {signed} mm: read {}, true {}; {way}.", mm(read), mm(truth)));
    } else if let Some(truth) = m.true_mm {
        out.push(format!("True distance in this plane: {}.", mm(truth.get())));
    }
    for (name, shift) in [("os", m.os_shift), ("edge", m.edge_shift)] {
        if let Some(s) = shift {
            let (right, down) = (s.right_mm.get(), s.down_mm.get());
            let x = if right < 0.0 { "left" } else { "right" };
            let y = if down < 0.0 { "above" } else { "below" };
            out.push(format!("The {name} was marked {:.1} mm {x} of and {:.1} mm {y} its true place.", right.abs(), down.abs()));
        }
    }
    match (m.finding_right, &m.finding, &m.true_finding) {
        (Some(true), Some(f), _) => out.push(format!("Finding right: {f}.")),
        (Some(false), Some(f), Some(t)) => out.push(format!("Finding wrong: {f}; it is {t}.")),
        _ => {}
    }
    out.push(if m.well {
        "Counts as done well.".into()
    } else if m.decision_right {
        format!("Does not count as done well: the error is above {WITHIN_MM:.1} mm, or there is no exact distance.")
    } else {
        "Does not count as done well.".into()
    });
    out
}

fn share(what: &str, s: &Share) -> String {
    match (s.share(), s.low, s.high) {
        (Some(p), Some(low), Some(high)) => {
            format!("{what}: {} of {}, {:.0} % (95 %: {:.0} to {:.0} %)", s.events, s.of, 100.0 * p, 100.0 * low, 100.0 * high)
        }
        _ => format!("{what}: none yet"),
    }
}

fn spread(what: &str, s: &Spread) -> String {
    match (s.value, s.low, s.high) {
        (Some(v), Some(low), Some(high)) => format!("{what}: {v:.2} mm (95 %: {low:.2} to {high:.2} mm)").replace('-', "−"),
        (Some(v), ..) => format!("{what}: {v:.2} mm").replace('-', "−"),
        _ => format!("{what}: too few cases"),
    }
}

/// A score in lines, the caution first.
#[must_use]
pub fn score_lines(s: &Score, own_cases: bool) -> Vec<String> {
    let mut out = Vec::new();
    if !own_cases {
        out.push(KINDER.to_owned());
    }
    out.push(format!("{} cases, {} with an error that counts", s.cases, s.errors));
    out.push(spread("Bias, read less true", &s.bias));
    out.push(spread("Spread, one SD", &s.sd));
    out.push(s.against_target());
    out.push(share(&format!("Done well (rightly rejected, or within {WITHIN_MM:.1} mm)"), &s.well));
    out.push(share("Finding right", &s.finding));
    out.push(share(&format!("Finding right within {NEAR_MM:.0} mm of 0, 10 or 20 mm ({OWN})"), &s.finding_near));
    out.push(share("Frames to be rejected that were", &s.rejected_rightly));
    out.push(share("Frames to be read that were", &s.read_rightly));
    out.push(share("Rejected for the right reason", &s.reason));
    out.push(match s.seconds {
        Some([low, middle, high]) => {
            format!("Time a case: {middle:.0} s in the middle, the middle half {low:.0} to {high:.0} s")
        }
        None => "Time a case: none yet".into(),
    });
    out
}

/// What a spread says beside the target.
pub(super) fn target_words(sd: &Spread) -> String {
    let target = format!("the target of {TARGET_SD_MM:.1} mm (the labelled total of clinical readings, {OWN})");
    match (sd.low, sd.high) {
        (_, Some(high)) if high <= TARGET_SD_MM => format!("Spread below {target}, interval and all."),
        (Some(low), _) if low > TARGET_SD_MM => format!("Spread above {target}, interval and all."),
        (Some(_), Some(_)) => format!("The interval of the spread holds {target}: more cases are needed to tell."),
        _ => format!("Target for the spread: {TARGET_SD_MM:.1} mm (the labelled total of clinical readings, {OWN})."),
    }
}
