"""Everything that the report of a sabotage says, counted from the outcomes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.sabotage.outcome import Judged, Outcome, Reason, idle_reasons
from sim_plant.bench.sabotage.plan import KINDS
from sim_plant.bench.sabotage.results import Kept
from sim_plant.bench.sabotage.work import NOT_DONE


@dataclass(frozen=True)
class Figures:
    """``left`` counts changes that are still to be tried; ``whole`` says that every change and run was asked
    for and nothing stopped it, so that an entry of the list which nothing needed is one too many.
    """

    judged: Sequence[Judged]
    kept: Kept
    reasons: Sequence[Reason]
    left: int
    whole: bool

    @cached_property
    def counts(self) -> dict[Outcome, int]:
        """Changes by outcome."""
        counter = Counter(one.outcome for one in self.judged)
        return {outcome: counter[outcome] for outcome in Outcome}

    @cached_property
    def by_kind(self) -> dict[str, dict[Outcome, int]]:
        """The same for every kind."""
        counter = Counter((one.change.kind, one.outcome) for one in self.judged)
        return {kind: {outcome: counter[kind, outcome] for outcome in Outcome} for kind in KINDS}

    def of(self, outcome: Outcome) -> list[Judged]:
        """The changes with this outcome, in the order of the tables."""
        return [one for one in self.judged if one.outcome is outcome]

    @property
    def carried_out(self) -> int:
        """Changes that were tried on at least one run."""
        return len(self.judged) - self.counts[Outcome.UNTRIED]

    @cached_property
    def caught_by(self) -> dict[str, tuple[int, int]]:
        """Of each requirement, how many changes it caught, and how many nothing else caught in that run."""
        shared: Counter[str] = Counter()
        alone: Counter[str] = Counter()
        for one in self.of(Outcome.CAUGHT):
            assert one.catcher is not None
            shared.update(one.catcher.broken)
            if len(one.catcher.broken) == 1:
                alone.update(one.catcher.broken)
        return {r.id: (shared[r.id], alone[r.id]) for r in REQUIREMENTS}

    @cached_property
    def never_touched(self) -> dict[str, int]:
        """Why no run can touch an entry, and of how many changes that is so."""
        return dict(Counter(one.why for one in self.of(Outcome.UNTRIED) if one.why))

    @property
    def never_caught(self) -> list[str]:
        """Requirements that caught no change."""
        return [name for name, (shared, _alone) in self.caught_by.items() if not shared]

    @cached_property
    def by_case_alone(self) -> int:
        """Changes that no requirement caught, but an expectation of a case, or a run that broke off."""
        known = {r.id for r in REQUIREMENTS}
        return sum(1 for one in self.of(Outcome.CAUGHT) if one.catcher and not known & {*one.catcher.broken})

    @cached_property
    def broke_off(self) -> int:
        """Changes that were caught because the run could not be carried out."""
        return sum(1 for one in self.of(Outcome.CAUGHT) if one.catcher and one.catcher.broken == (NOT_DONE,))

    @cached_property
    def idle_reasons(self) -> list[Reason]:
        """Entries of the list that nothing needed; judged only in a whole run."""
        return idle_reasons(self.judged, self.reasons) if self.whole else []

    @cached_property
    def unsound(self) -> dict[str, str]:
        """Runs that do not hold even untouched, or could not be scouted, and why."""
        return {
            one.run: one.error or ", ".join(one.unheld)
            for one in self.kept.scouted.values()
            if one.error or one.unheld
        }

    @property
    def held(self) -> bool:
        """Whether everything that was to be tried was, and nothing survived or is explained for nothing."""
        return not self.left and not self.counts[Outcome.SURVIVED] and not self.idle_reasons
