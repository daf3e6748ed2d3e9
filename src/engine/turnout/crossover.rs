//! Crossovers: both ends lined for the crossover, or both for the straight tracks (T8; 49 CFR
//! 218.93, correspondence of crossover switches).

use crate::Engine;
use crate::alarm::kinds::{AlarmKind, Priority};
use crate::change::Clearance;
use crate::ids::CrossoverId;
use crate::input::Position;
use crate::seeded::Seeded;
use crate::time::Instant;
use crate::wording;

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct CrossoverState {
    /// Both are known and differ, since then.
    pub(crate) split_since: Option<Instant>,
}

impl Engine {
    pub(crate) fn stage_crossovers(&mut self) {
        for index in self.dirty.crossovers.take() {
            self.judge_crossover(CrossoverId(index));
        }
    }

    fn judge_crossover(&mut self, id: CrossoverId) {
        let crossover = &self.layout.crossovers[id.index()];
        let (one, other) = (crossover.turnouts[0], crossover.turnouts[1]);
        let agree = crossover.agree;
        let (subject, name) = (crossover.id.clone(), crossover.name.clone());
        let position = |t: crate::ids::TurnoutId| self.points.turnouts[t.index()];
        let known = |p: Position| matches!(p, Position::Normal | Position::Reverse);
        let (a, b) = (position(one), position(other));
        if !(known(a) && known(b)) {
            // T8 needs both known; an alarm that is up stays until they agree.
            self.crossovers[id.index()].split_since = None;
            self.hold_or_drop(AlarmKind::CrossoverSplit, &subject);
            return;
        }
        if a == b || self.seeded(Seeded::NeverSplit) {
            self.crossovers[id.index()].split_since = None;
            self.clear(AlarmKind::CrossoverSplit, &subject);
            return;
        }
        let now = self.now;
        let since = *self.crossovers[id.index()].split_since.get_or_insert(now);
        let threatened = [one, other].iter().any(|t| {
            self.turnouts[t.index()].state == Clearance::Fouled || self.warnings.is_bound_for(*t)
        });
        let priority = if threatened {
            Priority::High
        } else {
            Priority::Medium
        };
        let text = wording::crossover_split(&name);
        self.raise_longer_with(
            AlarmKind::CrossoverSplit,
            &subject,
            priority,
            (since, agree),
            text,
        );
    }
}
