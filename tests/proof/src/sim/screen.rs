//! What a screen shows: the store's view, unless a bug was planted between them.

use crate::sim::planted::Planted;
use job::JobView;
use job::view::{FieldState, GateState};

/// The view as it is shown.
pub fn show(mut view: JobView, planted: Option<Planted>) -> JobView {
    match planted {
        Some(Planted::LastWins) => {
            for field in view.fields.values_mut().filter(|f| f.state == FieldState::TwoAnswers) {
                field.answers.sort_by_key(|a| std::cmp::Reverse(a.by.iter().map(|b| b.counter).max()));
                field.answers.truncate(1);
                field.state = FieldState::Agreed;
            }
        }
        Some(Planted::ByClock) => {
            for field in view.fields.values_mut() {
                field.answers.sort_by_key(|a| a.by.iter().map(|b| b.wall_ms).max());
            }
        }
        Some(Planted::ForgetReopen) => {
            for field in view.fields.values_mut().filter(|f| f.state == FieldState::TwoAnswers) {
                if field.answers.iter().any(|a| a.settled.is_some()) {
                    field.answers.retain(|a| a.settled.is_some());
                    field.answers.truncate(1);
                    field.state = FieldState::Agreed;
                }
            }
        }
        Some(Planted::StaleCounts) => {
            for gate in &mut view.gates {
                for sign in gate.signs.iter_mut().filter(|s| s.not_good.as_ref().is_some_and(|n| n.code == "stale")) {
                    (sign.good, sign.not_good) = (true, None);
                }
                let signed = |role| gate.signs.iter().any(|s| s.good && s.role == role);
                gate.missing = gate.roles.iter().copied().filter(|r| !signed(*r)).collect();
                if gate.missing.is_empty() {
                    gate.state = GateState::Open;
                }
            }
        }
        _ => {}
    }
    view
}
