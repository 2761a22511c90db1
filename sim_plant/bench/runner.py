"""One run of one case, from the prepared state to the findings.

Bringing a bank into a state takes minutes of simulated time, so a Workshop keeps a copy of the rig for
every state that it has reached once and starts each run from the copy.

A case with a step that ``disturbs`` is done twice from the same copy: the second run leaves that step out,
and the requirements that compare two runs are given both traces.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from controller.unit.states import UnitState
from sim_plant.bench.approach import RECIPES, NotReachedError, bring
from sim_plant.bench.cases import CaseFile, Run
from sim_plant.bench.expect import Anchors, judge
from sim_plant.bench.monitors import Context, judge_all
from sim_plant.bench.rig import NotOfferedError, Rig, RigSnapshot
from sim_plant.bench.steps import BANK_SWITCHES, Step
from sim_plant.bench.targets import ControllerFactory, DeskTarget, TargetError
from sim_plant.bench.trace import Trace
from sim_plant.bench.verdicts import Finding, RunResult, Verdict
from sim_plant.faults import Fault
from sim_plant.plant import Plant
from sim_plant.site import Site

NO_STATE = "no known state"
"""Of a unit whose state the target does not tell."""


class StepError(RuntimeError):
    """A step could not be done as the case says; the message says why."""


class Workshop:
    """Carries out runs on one site and one controller; keeps prepared rigs."""

    def __init__(self, site: Site, factory: ControllerFactory, seed: int) -> None:
        self._site, self._factory, self._seed = site, factory, seed
        self._kept: dict[tuple[int, UnitState], RigSnapshot] = {}
        self._rig = self._cold()

    @property
    def site(self) -> Site:
        """The site whose bank stands here."""
        return self._site

    def _cold(self) -> Rig:
        site = self._site
        plant = Plant(site.units, site.file.plant, self._seed)
        target = DeskTarget(site.units, site.setpoints, self._factory)
        return Rig(plant, target, site.file.site.scan_ms)

    def prepared(self, unit: int, state: UnitState) -> Rig:
        """A rig with the unit in the state, as it has just been entered. The rig is lent, not given."""
        key = (unit, state)
        if key not in self._kept:
            recipe = RECIPES[state]
            self._rig = self._cold() if recipe.start is None else self.prepared(unit, recipe.start)
            bring(self._rig, unit, state, recipe, self._site.setpoints)
            self._kept[key] = self._rig.snapshot()
        self._rig.restore(self._kept[key])
        return self._rig

    def carry_out(self, run: Run, since_strike: bool = False) -> RunResult:
        """Do one run and judge it; ``since_strike`` counts only triggers from the strike on.

        A run that cannot be carried out comes back with its error and with what was seen until then.
        """
        return self.carry_out_unknown(run, lambda _seen: False, since_strike)

    def carry_out_unknown(
        self, run: Run, known: Callable[[RunResult], bool], since_strike: bool = False
    ) -> RunResult:
        """The same, but a run of which ``known`` says that it was judged before is not judged again."""
        began = time.perf_counter()
        given = run.case.given
        result = RunResult(
            run.run_id,
            run.case.title,
            run.case.family,
            run.source,
            run.state.value,
            run.variant,
            given.unit,
            self._seed,
        )
        try:
            rig = self.prepared(given.unit, run.state)
            result.shared = f"prepared-unit{given.unit}-{run.state.value.lower()}"
            result.shared_rows, start_ms = rig.recorder.rows, rig.now_ms
            anchors, undone = _perform(rig, run.case, run.case.step)
            result.trace = rig.trace()
            result.simulated_s = (rig.now_ms - start_ms) / 1000.0
            reference = self._reference(run, rig.now_ms)
        except (NotReachedError, StepError, NotOfferedError, TargetError) as error:
            result.error = str(error)
            if result.trace is None:
                result.trace = self._rig.trace()
            result.requirements = self.judge(result.trace)
            return result
        result.strike_ms = anchors[""]
        if reference is None and known(result):
            return result
        since_ms = result.strike_ms if since_strike else 0
        result.requirements = self.judge(result.trace, reference, since_ms)
        self._expect(result, run, anchors, undone)
        result.took_s = time.perf_counter() - began
        return result

    def _reference(self, run: Run, end_ms: int) -> Trace | None:
        """The same case without what disturbs, up to the same moment; None when nothing disturbs."""
        steps = tuple(step for step in run.case.step if not step.disturbs)
        if len(steps) == len(run.case.step):
            return None
        rig = self.prepared(run.case.given.unit, run.state)
        _anchors, undone = _perform(rig, run.case, steps)
        if undone:
            raise StepError(f"the run without the disturbance: {undone[0].name}: {undone[0].detail}")
        rig.run_for((end_ms - rig.now_ms) / 1000.0)
        return rig.trace()

    def _expect(self, result: RunResult, run: Run, anchors: Anchors, undone: list[Finding]) -> None:
        assert result.trace is not None
        uncertainty_ms = self._rig.target.uncertainty_ms
        result.expectations = undone + [
            judge(expectation, result.trace, result.unit, anchors, uncertainty_ms)
            for expectation in run.case.expect
        ]
        result.expectations += not_exercised(run.case.requirements, result.unit, result.requirements)

    def judge(self, trace: Trace, reference: Trace | None = None, since_ms: int = 0) -> list[Finding]:
        """One finding for each requirement; ``reference`` is the same run without what disturbs.

        Triggers before ``since_ms`` do not count.
        """
        slots = self._site.setpoints.flush_slots(self._site.units)
        context = Context(slots, self._rig.target.uncertainty_ms, reference, since_ms)
        return judge_all(trace, self._site.setpoints, context)


def not_exercised(named: Sequence[str], unit: int, findings: Sequence[Finding]) -> list[Finding]:
    """A failure for each requirement that is named and was not put to the test: less is proven than is said.

    KeyError for a name that no finding has.
    """
    verdicts = {finding.name: finding.verdict for finding in findings}
    return [
        Finding(
            f"puts {name} to the test",
            Verdict.FAIL,
            unit=unit,
            limit="at least once",
            detail="the requirement was never triggered in this run",
        )
        for name in named
        if verdicts[name] is Verdict.NOT_EXERCISED
    ]


def _perform(rig: Rig, case: CaseFile, steps: Sequence[Step]) -> tuple[Anchors, list[Finding]]:
    """Strike and do the steps; returns when each named step was done, and what could not be done."""
    unit = case.given.unit
    rig.run_for(case.given.offset_s)
    if case.given.tank_pct is not None:
        rig.plant.set_tank_pct(case.given.tank_pct)
    if case.given.demand_m3h is not None:
        rig.plant.set_demand_m3h(case.given.demand_m3h)
    strike_ms = rig.now_ms
    anchors: Anchors = {"": strike_ms}
    injected: dict[str, Fault] = {}
    for number, step in enumerate(steps, start=1):
        if not _wait(rig, step, number, unit, strike_ms):
            text = f"step {number}: unit {unit} comes into {step.when_state}"
            seen = f"it is in {rig.state_of(unit) or NO_STATE}"
            limit = f"within {step.limit_s:g} s"
            return anchors, [
                Finding(text, Verdict.FAIL, 1, at_ms=rig.now_ms, unit=unit, limit=limit, detail=seen)
            ]
        if step.name:
            anchors[step.name] = rig.now_ms
        act_on(rig, step, unit, injected)
    rig.run_for(case.run.for_s)
    return anchors, []


def _wait(rig: Rig, step: Step, number: int, unit: int, strike_ms: int) -> bool:
    if step.at_s is not None:
        due_ms = strike_ms + round(step.at_s * 1000.0)
        if rig.now_ms > due_ms:
            raise StepError(f"step {number}: at_s = {step.at_s:g} has passed already")
        rig.run_for((due_ms - rig.now_ms) / 1000.0)
        return True
    assert step.when_state is not None
    wanted = step.when_state.value
    if not rig.run_until(lambda: rig.state_of(unit) == wanted, step.limit_s):
        return False
    rig.run_for(step.after_s)
    return True


def act_on(rig: Rig, step: Step, under_test: int, injected: dict[str, Fault]) -> None:
    """Do what a step says, now; ``injected`` holds the faults of the steps before it by their names."""
    unit = under_test if step.unit is None else step.unit
    if step.inject is not None:
        fault = step.inject.fault(unit, rig.plant.n_units)
        rig.inject(fault, step.for_s)
        injected[step.name] = fault
    elif step.clear is not None:
        rig.clear(injected[step.clear])
    elif step.command is not None:
        rig.command(step.command, unit, step.by)
    elif step.operate is not None:
        switch, position = step.operate.split()
        rig.operate(switch, 0 if switch in BANK_SWITCHES else unit, position == "on", step.for_s)
    elif step.power is not None:
        rig.power(step.power == "on", step.for_s)
    elif step.tank_pct is not None:
        rig.plant.set_tank_pct(step.tank_pct)
    elif step.demand_m3h is not None:
        rig.plant.set_demand_m3h(step.demand_m3h)
    else:
        _act_on_target(rig, step)


def _act_on_target(rig: Rig, step: Step) -> None:
    """What is done to the target itself, or between it and the plant."""
    if step.bank_image is not None:
        rig.freeze_bank_image(step.bank_image == "frozen", step.for_s)
    elif step.wall_clock_s is not None:
        rig.step_wall_clock(step.wall_clock_s)
    elif step.setpoint is not None:
        change = step.setpoint
        rig.write_setpoint(change.name, change.value, change.by, change.reason)
