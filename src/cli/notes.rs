//! What `read` takes and prints besides the distance: further landmarks, the checklist, the edge assist.

use std::io::Write;

use super::args::NotesArgs;
use super::output::{self, Said};
use crate::assist::{self, Assisted, Refinable};
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::exam::{Adequacy, Checklist, FrameNotes, Item};
use crate::frame::Frame;
use crate::measure::more::MoreLandmarks;
use crate::measure::{EdgeMark, Landmarks};
use crate::reading::Reading;
use crate::units::PxPoint;

/// The notes that the arguments make. Accepted offers move their landmarks.
///
/// # Errors
/// [`ErrorKind::Usage`] for letters that name no item and offers for landmarks that are not marked; [`ErrorKind::Invalid`]
/// where no offer is made.
pub(super) fn of(
    args: &NotesArgs,
    lateral: bool,
    landmarks: &mut Landmarks,
    frame: &Frame,
    scale: &dyn Fn(PxPoint) -> Result<Calibration>,
) -> Result<FrameNotes> {
    let mut checklist = Checklist::default();
    for letter in args.except.chars().filter(|c| !c.is_whitespace() && *c != ',') {
        let item = Item::of_letter(letter).ok_or_else(|| {
            Error::new(ErrorKind::Usage, "the checklist has no such item")
                .expected(format!("letters from {} to {}", Item::ALL[0].letter(), Item::OtherPlanes.letter()))
                .found(letter.to_string())
                .remedy("See osspan exam --checklist")
        })?;
        checklist.answers.insert(item, false);
    }
    if args.attest {
        checklist.attest_all(lateral);
    }
    checklist.other_reason = args.leave_out.clone().filter(|t| !t.trim().is_empty());
    let mut notes = FrameNotes {
        more: MoreLandmarks {
            external_os: args.external_os,
            canal: args.canal.clone(),
            plates_meet: args.plates_meet,
            basal_plate: args.basal_plate,
            chorionic_plate: args.chorionic_plate,
            vessel: args.vessel,
            fetal_rate: args.fetal_rate,
            cord_loop_excluded: args.cord_loop_excluded,
            wall: args.wall.clone(),
            os_end: args.os_end,
            os_other_end: args.os_other_end,
        },
        checklist,
        set: (args.set > 1).then_some(args.set),
        assisted: Vec::new(),
    };
    let answers = args.accept_offer.iter().map(|of| (*of, true)).chain(args.decline_offer.iter().map(|of| (*of, false)));
    for (of, accepted) in answers {
        let place = place_of(of, landmarks, &mut notes.more).ok_or_else(|| {
            Error::new(ErrorKind::Usage, "an offer was answered for a landmark that is not marked")
                .expected(format!("the {}", of.words()))
                .found("none")
        })?;
        let placed = *place;
        let offer = assist::offer_for(of, frame, placed, &scale(placed)?)
            .map_err(|why| Error::new(ErrorKind::Invalid, format!("no offer is made for the {}", of.words())).found(why.words()))?;
        if accepted {
            *place = offer.at;
        }
        notes.assisted.push(Assisted { of, placed, offer, accepted, method: assist::METHOD.into() });
    }
    Ok(notes)
}

/// Where the landmark of an offer is.
fn place_of<'a>(of: Refinable, landmarks: &'a mut Landmarks, more: &'a mut MoreLandmarks) -> Option<&'a mut PxPoint> {
    match of {
        Refinable::InternalOs => Some(&mut landmarks.internal_os),
        Refinable::PlacentalEdge => match &mut landmarks.edge {
            EdgeMark::PlacentalEdge { at } => Some(at),
            _ => None,
        },
        Refinable::MarginalSinus => landmarks.marginal_sinus.as_mut(),
        Refinable::ExternalOs => more.external_os.as_mut(),
        Refinable::BasalPlate => more.basal_plate.as_mut(),
        Refinable::ChorionicPlate => more.chorionic_plate.as_mut(),
        Refinable::Vessel => more.vessel.as_mut(),
        Refinable::OsEnd => more.os_end.as_mut(),
        Refinable::OsOtherEnd => more.os_other_end.as_mut(),
    }
}

/// Prints what was read besides the distance.
pub(super) fn print(out: &mut dyn Write, made: &Reading, notes: &FrameNotes, said: &mut Said) -> Result<()> {
    for one in made.more.in_words() {
        output::wrapped(out, &format!("  {}: ", one.name), &one.text)?;
        for flag in &one.flags {
            output::wrapped(out, "    ! ", flag)?;
        }
        for (text, source) in &one.against {
            output::wrapped(out, "    ", &format!("{text} {}", said.mark(source)))?;
        }
    }
    match &made.adequacy {
        Adequacy::Adequate => output::line(out, "  Frame: attested adequate")?,
        Adequacy::Inadequate { reason } => output::wrapped(out, "  Frame: does not count in its exam: ", reason)?,
        Adequacy::NotStated => output::line(out, "  Frame: not stated whether it is adequate")?,
    }
    for item in notes.checklist.exceptions().into_iter().filter(|i| !i.decides()) {
        output::wrapped(out, "    ! ", &format!("{} {}", item.exception(), said.mark(&item.source())))?;
    }
    for a in &notes.assisted {
        let answer = if a.accepted { "accepted" } else { "declined" };
        let text = format!(
            "{}: a place {:.1} away was offered (SD {:.1}, contrast {:.1}) and {answer}",
            a.of.words(),
            a.offer.moved_mm,
            a.offer.sd_mm,
            a.offer.contrast
        );
        output::wrapped(out, "  Edge assist, ", &text)?;
    }
    Ok(())
}
