//! What a report takes from the review of an exam: the readings that stand, who reviewed, and whether it is signed.

use super::{Line, Part, Request, Standing, Weight};
use crate::caseload::SavedExam;
use crate::record::{Step, signer_words};
use crate::review::{self, ExamReview};

/// The review of a saved exam.
pub(super) fn review_of<'a>(exam: &SavedExam, reviews: &'a [ExamReview]) -> Option<&'a ExamReview> {
    let first = exam.readings.first()?;
    reviews.iter().find(|r| r.readings.iter().any(|one| one.id() == first.id()))
}

/// How far the report is settled.
pub(super) fn standing(exam: &SavedExam, request: &Request<'_>) -> Standing {
    if request.draft {
        return Standing::Draft;
    }
    let unsigned = |review: &str| Standing::Unsigned { review: review.to_owned() };
    let Some(review) = review_of(exam, request.reviews) else { return unsigned("no review and no signature is recorded") };
    let standing = review.standing();
    let heads = review.heads();
    let [last] = heads.as_slice() else { return unsigned(standing.words()) };
    let Step::Sign { readings, .. } = &last.step else { return unsigned(standing.words()) };
    // The signature must be a valid one, and cover exactly what is reported.
    let covers = readings.len() == exam.readings.len() && exam.readings.iter().all(|r| readings.iter().any(|id| id == r.id()));
    match (standing, last.is_signed()) {
        (review::Standing::Signed, Ok(true)) if covers => match signer_words(last, request.signers) {
            // Anybody can make a key: a signature counts only by one that is known here as this person's.
            Some(doubt) => unsigned(&format!("a signature is there that is not believed: {doubt}")),
            None => {
                let key = format!("key {}", last.key.get(..16).unwrap_or(&last.key));
                Standing::Signed { by: last.by.clone(), at: last.saved_at.clone(), key }
            }
        },
        (review::Standing::Signed, _) => unsigned("a signature is there that does not hold"),
        (other, _) => unsigned(other.words()),
    }
}

/// Who reviewed, in words.
pub(super) fn reviewer(exam: &SavedExam, reviews: &[ExamReview]) -> String {
    let steps = review_of(exam, reviews).map(|r| r.steps.as_slice()).unwrap_or_default();
    let last = steps.iter().rev().find(|s| !matches!(s.step, Step::Sign { .. }));
    last.map_or_else(
        || "none recorded".to_owned(),
        |s| format!("{}, {}, {}", s.by, s.step.words(), s.saved_at.get(..10).unwrap_or(&s.saved_at)),
    )
}

/// What the review says: its steps with their reasons; above everything else while nothing stands.
pub(super) fn part(exam: &SavedExam, reviews: &[ExamReview]) -> Option<Part> {
    let review = review_of(exam, reviews)?;
    let mut lines: Vec<String> = Vec::new();
    let open = review.stands().err();
    lines.extend(open.iter().map(|why| format!("NO READING STANDS YET: {why}. What follows is not a settled finding.")));
    lines.extend(review.steps.iter().map(|s| {
        let reason = s.step.reason().map_or_else(String::new, |r| format!(": {r}"));
        format!("{} ({}) {} at {}{reason}.", s.by, s.role.words(), s.step.words(), s.saved_at)
    }));
    let weight = if open.is_some() { Weight::Alarm } else { Weight::Fine };
    let lines: Vec<Line> = lines.into_iter().map(|text| Line { text, mark: String::new() }).collect();
    (!lines.is_empty()).then(|| Part { title: "Review".to_owned(), weight, lines })
}
