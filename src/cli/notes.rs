//! What `read` takes and prints besides the distance: further landmarks, the checklist, the edge assist.

use std::io::Write;

use clap::Args;

use super::args::{point, word, yes_or_no};
use super::output::{self, Said};
use crate::assist::{self, Assisted, Refinable};
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::exam::{Adequacy, Anterior, Checklist, FrameNotes, Item};
use crate::frame::Frame;
use crate::measure::more::MoreLandmarks;
use crate::measure::{EdgeMark, Landmarks};
use crate::reading::Reading;
use crate::units::PxPoint;

/// What `read` takes besides the distance. All of it is optional.
#[derive(Debug, Default, Args)]
#[command(next_help_heading = "Besides the distance")]
pub struct NotesArgs {
    /// External os; with the internal os it gives the cervical length
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub external_os: Option<PxPoint>,
    /// A point of the trace along the canal, from the external os on; repeat it for each
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub canal: Vec<PxPoint>,
    /// Where basal and chorionic plate meet, for the thickness and angle of the edge
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub plates_meet: Option<PxPoint>,
    /// A point on the basal plate
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub basal_plate: Option<PxPoint>,
    /// A point on the chorionic plate, opposite
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub chorionic_plate: Option<PxPoint>,
    /// Nearest wall of a vessel outside the placenta
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub vessel: Option<PxPoint>,
    /// Whether pulsed Doppler showed a fetal rate in it: yes, no
    #[arg(long, value_parser = yes_or_no)]
    pub fetal_rate: Option<bool>,
    /// Whether a loop of cord was excluded: yes, no
    #[arg(long, value_parser = yes_or_no)]
    pub cord_loop_excluded: Option<bool>,
    /// A point of the trace along the wall, from the internal os on; repeat it for each. The straight line decides
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub wall: Vec<PxPoint>,
    /// One end of the os, for its width
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub os_end: Option<PxPoint>,
    /// The other end of the os
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub os_other_end: Option<PxPoint>,
    /// Attest every item of the frame's checklist but the exceptions
    #[arg(long)]
    pub attest: bool,
    /// Letters of the checklist's exceptions, such as "be": see `osspan exam --checklist`
    #[arg(long, default_value = "")]
    pub except: String,
    /// Another reason why the frame does not count
    #[arg(long)]
    pub leave_out: Option<String>,
    /// Set of frames that this one belongs to: 2 for a rescan after 20 to 60 minutes
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=9))]
    pub set: u8,
    /// Take the edge assist's refined place for a landmark (vessel, basal-plate, …); both places are kept
    #[arg(long, value_parser = word::<Refinable>)]
    pub accept_offer: Vec<Refinable>,
    /// Keep that a refined place was offered for a landmark and declined
    #[arg(long, value_parser = word::<Refinable>)]
    pub decline_offer: Vec<Refinable>,
    /// On which side of the picture anterior is, where it is known: left, right
    #[arg(long, value_parser = word::<Anterior>)]
    pub anterior: Option<Anterior>,
}

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
        anterior: args.anterior,
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
    if let Some(side) = notes.anterior {
        output::line(out, &format!("  Picture: anterior is {}, as the reader states", side.words()))?;
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
