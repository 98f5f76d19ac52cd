//! What a person decides about a take's place, as the conform job reads it.

use ripieno_score::{Mistake, Mistakes};
use ripieno_store::{ErrorKind, Take, TakeState};
use ripieno_worker::jobs::Job;
use serde::Deserialize;
use serde_json::{Value, json};
use utoipa::ToSchema;

use crate::clock::now_us;
use crate::http::App;
use crate::http::problem::{Answer, Problem};

/// Furthest a take can be nudged by hand: beyond it, it is another place, not a nudge.
const MOST_NUDGE_MS: f64 = 5_000.0;
/// No recording is a day long. A place before its start is one where bar 1 was not recorded.
const MOST_PLACE_S: f64 = 86_400.0;

/// A decision about a take. What is left out stays as it is.
#[derive(Clone, Debug, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CorrectionBody {
    /// Which of the take's candidate places is right, counted from 0 in `outcome.candidates`.
    pub candidate: Option<usize>,
    /// Where bar 1 beat 1 lies in the file, in seconds, when no candidate is right.
    #[schema(example = 5.25)]
    pub bar1_beat1_s: Option<f64>,
    /// How far to move it from where the analysis puts it, in milliseconds; later is positive.
    /// It replaces an earlier nudge. At most 5 000 either way.
    #[schema(minimum = -5000, maximum = 5000, example = -12.5)]
    pub nudge_ms: Option<f64>,
    /// The organiser's word on its state: `placed` or `unusable`.
    pub state: Option<String>,
}

/// Records a decision. `organiser` is none for the contributor, who cannot decide the state.
///
/// # Errors
/// 422 for a candidate that is not there or a nudge too far, 409 once withdrawn.
pub async fn apply(
    app: &App,
    take: &Take,
    wish: &CorrectionBody,
    organiser: Option<&str>,
) -> Answer<()> {
    if take.state == TakeState::Withdrawn {
        return Err(Problem::conflict("This take was withdrawn."));
    }
    let decided = match (&wish.state, organiser) {
        (None, _) => None,
        (Some(_), None) => {
            return Err(Problem::forbidden("Only the organiser decides whether a take is used."));
        }
        (Some(word), Some(who)) => Some((decided_state(word)?, who)),
    };
    let changed = corrections(&take.corrections, &take.outcome, wish)?;
    if let Some(corrections) = changed {
        let job = Job::conform(&take.id);
        app.store.correct_take(&take.id, &corrections, &job, now_us()).await?;
    } else if decided.is_none() {
        return Err(Problem::bad_request(
            "The correction says nothing: name `candidate`, \
                                         `nudge_ms` or `state`.",
        ));
    }
    if let Some((state, who)) = decided {
        app.store.decide_take(&take.id, state, who, now_us()).await.map_err(|e| {
            match e.kind() {
                ErrorKind::NotNow => Problem::conflict(
                    "This take cannot be set to that as it is: it has no stem to place yet.",
                ),
                _ => Problem::from(e),
            }
        })?;
    }
    Ok(())
}

fn decided_state(word: &str) -> Answer<TakeState> {
    match word {
        "placed" => Ok(TakeState::Placed),
        "unusable" => Ok(TakeState::Unusable),
        _ => Err(wrong("/state", "that is no state to decide", "say `placed` or `unusable`")),
    }
}

/// The corrections as they are after `wish`: `{"chosen": {"bar1_beat1_s", "ratio_ppm"},
/// "nudge_ms"}`. A candidate is kept by its figures, since its number may change with the next
/// analysis.
fn corrections(before: &Value, outcome: &Value, wish: &CorrectionBody) -> Answer<Option<Value>> {
    if wish.candidate.is_none() && wish.bar1_beat1_s.is_none() && wish.nudge_ms.is_none() {
        return Ok(None);
    }
    let mut after = before.as_object().cloned().unwrap_or_default();
    if let Some(index) = wish.candidate {
        let candidates = outcome["candidates"].as_array().map_or(&[][..], Vec::as_slice);
        let Some(candidate) = candidates.get(index) else {
            let instead = match candidates.len() {
                0 => "this take has no candidates to choose from".to_owned(),
                n => format!("choose 0 to {}", n - 1),
            };
            return Err(wrong("/candidate", "there is no such candidate", &instead));
        };
        let chosen = json!({
            "bar1_beat1_s": candidate["bar1_beat1_s"],
            "ratio_ppm": candidate["ratio_ppm"],
        });
        after.insert("chosen".to_owned(), chosen);
    }
    if let Some(at_s) = wish.bar1_beat1_s {
        if !(at_s.is_finite() && at_s.abs() <= MOST_PLACE_S) {
            return Err(wrong(
                "/bar1_beat1_s",
                "there is no such place in the file",
                "give its seconds",
            ));
        }
        after.insert("chosen".to_owned(), json!({ "bar1_beat1_s": at_s, "ratio_ppm": null }));
    }
    if let Some(nudge_ms) = wish.nudge_ms {
        if !(nudge_ms.is_finite() && nudge_ms.abs() <= MOST_NUDGE_MS) {
            return Err(wrong("/nudge_ms", "that is too far for a nudge", "stay within 5000 ms"));
        }
        after.insert("nudge_ms".to_owned(), json!(nudge_ms));
    }
    Ok(Some(Value::Object(after)))
}

fn wrong(pointer: &str, what: &str, instead: &str) -> Problem {
    Problem::mistakes(Mistakes(vec![Mistake {
        file: "body".to_owned(),
        line: None,
        column: None,
        pointer: Some(pointer.to_owned()),
        what: what.to_owned(),
        instead: instead.to_owned(),
    }]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_choice_is_kept_by_its_figures_and_a_nudge_beside_it() {
        let outcome = json!({ "candidates": [
            { "bar1_beat1_s": 1.5, "ratio_ppm": 3.0, "odds": 0.6 },
            { "bar1_beat1_s": 3.75, "ratio_ppm": 4.0, "odds": 0.4 },
        ] });
        let wish = CorrectionBody { candidate: Some(1), ..Default::default() };
        let chosen = corrections(&json!({}), &outcome, &wish).unwrap().unwrap();
        assert_eq!(chosen, json!({ "chosen": { "bar1_beat1_s": 3.75, "ratio_ppm": 4.0 } }));
        let wish = CorrectionBody { nudge_ms: Some(-8.0), ..Default::default() };
        let both = corrections(&chosen, &outcome, &wish).unwrap().unwrap();
        assert_eq!((&both["nudge_ms"], &both["chosen"]), (&json!(-8.0), &chosen["chosen"]));
    }

    #[test]
    fn what_is_not_there_cannot_be_chosen() {
        for wish in [
            CorrectionBody { candidate: Some(0), ..Default::default() },
            CorrectionBody { nudge_ms: Some(5001.0), ..Default::default() },
            CorrectionBody { nudge_ms: Some(f64::NAN), ..Default::default() },
        ] {
            let refused = corrections(&json!({}), &json!(null), &wish).unwrap_err();
            assert_eq!(refused.status(), 422, "{wish:?}");
        }
    }
}
