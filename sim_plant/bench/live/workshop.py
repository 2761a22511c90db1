"""Runs on a live controller: nothing is copied, every run goes all the way from rest."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from controller.settings import Setpoints
from controller.signals import Verb
from controller.unit.states import UnitState
from controller.wiring import Asker
from sim_plant.bench.approach import FULL_TANK_PCT, RECIPES, NotReachedError, Recipe, bring
from sim_plant.bench.cases import Run
from sim_plant.bench.live.field import Commands
from sim_plant.bench.live.loop_check import driven
from sim_plant.bench.live.target import LiveTarget
from sim_plant.bench.rig import Rig
from sim_plant.bench.runner import Workshop
from sim_plant.bench.steps import Step
from sim_plant.bench.targets import Target
from sim_plant.bench.verdicts import RunResult
from sim_plant.plant import Plant
from sim_plant.site import Site

REST_S = 600.0
"""So long a bank may take to come to rest: a stop flush of every unit in turn (own choice)."""
RESET_AFTER_S = (11.0, 20.0, 31.0)
"""From one reset to the next: a cause must have been gone for 10, 30 or 60 s before it counts (narrative
3.9). One that is left keeps the alarm relay dropped, or its unit locked out."""
OVER_STOP_PCT = 1.0
"""The tank is so far above its stop level until all units are at rest, so that none is called."""
QUIET_S = 5.0
"""Rest counts when it has lasted so long and the time in which the bank looks whether it may start."""


def _full_tank(rig: Rig, _unit: int, _s: Setpoints) -> None:
    rig.plant.set_tank_pct(FULL_TANK_PCT)


LIVE_RECIPES = {**RECIPES, UnitState.STANDBY: Recipe(None, _full_tank)}
"""At the desk standby is reached from power-up, which owes a flush; here from rest, which owes none."""


class LiveWorkshop(Workshop):
    """As at the desk, on one controller that goes on from run to run: a live one, in real time.

    LostError, from any run, when a live controller is gone. ``came_to_rest`` says whether the bank did before
    the last run; when it did not, no other run will begin either.
    """

    def __init__(self, site: Site, target: Target, seed: int) -> None:
        self._site, self._target, self._seed = site, target, seed
        self.came_to_rest = False
        self._rig = self._new_rig()

    def _begin(self) -> None:
        """Time is kept anew from here on."""
        if isinstance(self._target, LiveTarget):
            self._target.begin_run()

    def new_plant(self) -> Plant:
        """A plant that nobody has touched, as every run begins with one."""
        return Plant(self._site.units, self._site.file.plant, self._seed)

    def _new_rig(self) -> Rig:
        return Rig(self.new_plant(), self._target, self._site.file.site.scan_ms)

    def prepared(self, unit: int, state: UnitState) -> Rig:
        """The rig with the unit in the state, as it has just been entered."""
        recipe = LIVE_RECIPES[state]
        if recipe.start is None:
            self._rig, self.came_to_rest = self._new_rig(), False
            come_to_rest(self._rig, self._site.setpoints)
            self.came_to_rest = True
            self._begin()  # the record begins at rest
        else:
            self.prepared(unit, recipe.start)
        bring(self._rig, unit, state, recipe, self._site.setpoints)
        return self._rig

    def carry_out(self, run: Run, since_strike: bool = False) -> RunResult:
        """One run; its beginning is its own, as no two of a live controller are alike."""
        self._begin()
        result = super().carry_out(run, since_strike)
        result.shared, result.shared_rows = "", 0
        return result


def come_to_rest(rig: Rig, setpoints: Setpoints) -> None:
    """A plant as new, and whatever the controller remembers of the last run undone: all units in standby.

    The record begins at rest, so what came before is not judged.
    NotReachedError, which names the states, when a unit does not come to rest.
    """
    rig.plant.set_tank_pct(setpoints.tank_stop_pct + OVER_STOP_PCT)
    rig.operate("bank_run", 0, False)
    for wait_s in RESET_AFTER_S:
        rig.run_for(wait_s)
        _heal(rig)
        if rig.outputs.bank.alarm_relay and _idle(rig):
            break
    rig.operate("bank_run", 0, True)
    # a unit that owes a flush shows nothing while it waits for its turn and for good water
    quiet_s = QUIET_S + setpoints.resume_s + setpoints.health_s + setpoints.water_good_s
    end_ms = rig.now_ms + round(1000 * REST_S)
    while not _stays_idle(rig, quiet_s):
        if rig.now_ms >= end_ms:
            raise NotReachedError(
                f"the bank does not come to rest within {REST_S:g} s: {_states(rig)}, "
                f"driven: {', '.join(driven(rig.outputs)) or 'nothing'}"
            )
        rig.run_for(RESET_AFTER_S[0])
        _heal(rig)
    rig.plant.set_tank_pct(FULL_TANK_PCT)
    rig.begin_record()
    rig.run_for(setpoints.boot_s + 2.0)  # requirements take the beginning of a record for a power-up


def _heal(rig: Rig) -> None:
    """What a person does: reset, return to service, and start what a stop of the last run holds."""
    rig.operate("reset_button", 0, True)
    for unit, state in enumerate(_states(rig), start=1):
        if state in (UnitState.MAINTENANCE, UnitState.OFF):
            _turn_to_auto(rig, unit, state == UnitState.MAINTENANCE)
        elif state == UnitState.STANDBY:
            rig.command(Verb.START, unit, "bench")
    rig.run_for(1.0)


def _turn_to_auto(rig: Rig, unit: int, from_maintenance: bool) -> None:
    """Selector to OFF and back: a controller without an image has seen OFF and remembers it.

    A unit in maintenance is returned to service in between, as the narrative wants it.
    """
    rig.operate("selector_auto", unit, False)
    rig.run_for(1.0)
    if from_maintenance:
        rig.command(Verb.RETURN_TO_SERVICE, unit, "bench")
        rig.run_for(1.0)
    rig.operate("selector_auto", unit, True)


def _states(rig: Rig) -> list[str]:
    return [rig.state_of(unit) for unit in range(1, rig.plant.n_units + 1)]


def _idle(rig: Rig) -> bool:
    return not driven(rig.outputs) and all(state == UnitState.STANDBY for state in _states(rig))


def _stays_idle(rig: Rig, seconds: float) -> bool:
    """Whether the bank is at rest now and so long from now on; ends at once when it is not."""
    return _idle(rig) and not rig.run_until(lambda: not _idle(rig), seconds)


def why_left_out(run: Run, commands: Commands, asker: Asker) -> str:
    """Why a live controller cannot be asked for this run, "" when it can."""
    if run.state is UnitState.BOOT:
        return "BOOT lasts from the controller's own power-up, which the bench does not command"
    for step in run.case.step:
        for needs, why in _NEEDS:
            if needs(step):
                return why
        if asker is Asker.BENCH and step.inject is not None and step.inject.target == "unit_io":
            return "the bench writes the image of all units and cannot hold back that of one"
    for verb, unit in _commands_of(run):
        if not commands.accepts(verb, unit):
            return f"there is no register for the command {verb.value}"
    return ""


def _commands_of(run: Run) -> Iterator[tuple[Verb, int]]:
    """What people must be able to command: to come into the state, in the run, and to undo it afterwards."""
    given = run.case.given
    for verb in _WAY_THERE.get(run.state, ()):
        yield verb, given.unit
    for step in run.case.step:
        if step.command is not None:
            yield step.command, given.unit if step.unit is None else step.unit


_TO_STOP = (Verb.STOP, Verb.START)
_WAY_THERE = {
    UnitState.STOPPING: _TO_STOP,
    UnitState.STOP_FLUSH: _TO_STOP,
    UnitState.MAINTENANCE: (Verb.MAINTAIN, Verb.RETURN_TO_SERVICE),
}
"""Commands that a recipe gives, and those that undo them before the next run."""


_NEEDS: tuple[tuple[Callable[[Step], bool], str], ...] = (
    (lambda step: step.power is not None, "the bench does not command the controller's supply"),
    (lambda step: step.wall_clock_s is not None, "the bench does not set the controller's date"),
    (lambda step: step.setpoint is not None, "the bench has no port for the controller's setpoints"),
    (lambda step: step.bank_image is not None, "the bank's image is not held back on a line"),
    (lambda step: step.disturbs, "two runs of a live controller are never alike to the scan"),
)
