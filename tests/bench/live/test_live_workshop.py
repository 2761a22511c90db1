"""Runs on a live controller: from rest, without copies, and to its end when it is gone."""

from __future__ import annotations

from pathlib import Path

import pytest
from live_samples import LIVE_SITE, SEED, DeskField, fast_target, live_site

from controller.signals import Inputs
from controller.unit.states import UnitState
from controller.wiring import Asker, load_wiring
from sim_plant.bench.cases import Run, build_case, load_case
from sim_plant.bench.live.field import Commands, LostError
from sim_plant.bench.live.workshop import LiveWorkshop, why_left_out
from sim_plant.bench.verdicts import Verdict

HIL = Path(__file__).parents[2] / "hil"


def run_of(state: UnitState, *steps: dict[str, object], for_s: float = 5.0) -> Run:
    table = {
        "title": "a run", "family": "live", "given": {"states": [state.value], "unit": 1},
        "step": list(steps), "run": {"for_s": for_s},
    }  # fmt: skip
    return Run("run", "run.case.toml", build_case("run.case.toml", table, live_site()), state, "")


def workshop() -> tuple[LiveWorkshop, DeskField]:
    field = DeskField(live_site())
    return LiveWorkshop(live_site(), fast_target(field), SEED), field


@pytest.mark.parametrize("name", ["starting", "stopping"])
def test_our_firmware_passes_the_cases_for_live_controllers(name: str) -> None:
    shop, _field = workshop()
    for run in load_case(LIVE_SITE / "cases" / f"{name}.case.toml", live_site()):
        result = shop.carry_out(run)
        grave = [f for f in (*result.requirements, *result.expectations) if f.verdict is Verdict.FAIL]
        assert (result.error, grave) == ("", [])


@pytest.mark.parametrize(
    "step",
    [
        {"at_s": 0, "command": "stop"},
        {"at_s": 0, "command": "maintain"},
        {"at_s": 0, "operate": "estop_healthy off"},
        {"at_s": 0, "operate": "selector_auto off"},
        {"at_s": 0, "inject": {"target": "motor_healthy", "kind": "stuck_open"}},
        {"at_s": 0, "inject": {"target": "tank_not_overfull", "kind": "stuck_open"}},
    ],
    ids=str,
)
def test_whatever_a_run_left_behind_the_next_one_starts_from_rest(step: dict[str, object]) -> None:
    """Stopped, in maintenance, in E-stop, locked out, with a cause of the bank latched."""
    shop, _field = workshop()
    assert shop.carry_out(run_of(UnitState.PRODUCE, step)).error == ""

    result = shop.carry_out(run_of(UnitState.PRODUCE))

    assert result.error == ""
    assert result.verdict is not Verdict.FAIL


def test_a_record_begins_at_rest_and_is_the_runs_own() -> None:
    shop, _field = workshop()
    result = shop.carry_out(run_of(UnitState.START_FLUSH))
    assert result.trace is not None
    assert not result.trace.unit_do[0].any()
    assert not result.trace.bank_do[0][:2].any()
    assert (result.shared, result.shared_rows) == ("", 0)


class _Gone(DeskField):
    """Falls silent after so many images."""

    left = 300

    def publish(self, inputs: Inputs) -> None:
        super().publish(inputs)
        self.left -= 1
        if self.left < 0:
            self.wrong = "nobody writes to skid1"


def test_a_controller_that_is_gone_ends_the_run_and_what_is_to_come() -> None:
    field = _Gone(live_site())
    shop = LiveWorkshop(live_site(), fast_target(field), SEED)
    with pytest.raises(LostError, match="controller in this process: nobody writes to skid1"):
        shop.carry_out(run_of(UnitState.PRODUCE))
    assert field.left == pytest.approx(-21, abs=2)  # two seconds of patience


@pytest.mark.parametrize(
    ("run", "told"),
    [
        (run_of(UnitState.PRODUCE, {"at_s": 0, "power": "off"}), "supply"),
        (run_of(UnitState.PRODUCE, {"at_s": 0, "wall_clock_s": 5.0}), "date"),
        (run_of(UnitState.PRODUCE, {"at_s": 0, "bank_image": "frozen"}), "held back"),
        (run_of(UnitState.BOOT), "power-up"),
        (run_of(UnitState.PRODUCE, {"at_s": 0, "command": "acknowledge"}), "no register for the command"),
        (run_of(UnitState.PRODUCE, {"at_s": 0, "command": "stop"}), ""),
    ],
    ids=["power", "clock", "image", "boot", "acknowledge", "stop"],
)
def test_what_a_live_controller_cannot_be_asked_is_left_out_with_the_reason(
    tmp_path: Path, run: Run, told: str
) -> None:
    (tmp_path / "wiring.toml").write_bytes((HIL / "polling.toml").read_bytes())
    commands = Commands(load_wiring(tmp_path, 2, Asker.CONTROLLER))
    reason = why_left_out(run, commands, Asker.CONTROLLER)
    assert told in reason
    assert bool(reason) is bool(told)


@pytest.mark.parametrize(
    ("state", "missing"),
    [
        (UnitState.STOPPING, '2 = "stop", '),
        (UnitState.STOP_FLUSH, '1 = "start", '),
        (UnitState.MAINTENANCE, ', 8 = "return to service"'),
    ],
)
def test_a_state_that_only_a_command_reaches_or_undoes_needs_its_register(
    tmp_path: Path, state: UnitState, missing: str
) -> None:
    text = (HIL / "polling.toml").read_text(encoding="utf-8")
    assert missing in text
    (tmp_path / "wiring.toml").write_text(text.replace(missing, ""), encoding="utf-8")
    commands = Commands(load_wiring(tmp_path, 2, Asker.CONTROLLER))
    told = why_left_out(run_of(state), commands, Asker.CONTROLLER)
    assert told.startswith("there is no register for the command ")


def test_the_image_of_one_unit_cannot_be_held_back_where_the_bench_writes_it(tmp_path: Path) -> None:
    (tmp_path / "wiring.toml").write_bytes((HIL / "serving.toml").read_bytes())
    commands = Commands(load_wiring(tmp_path, 2, Asker.BENCH))
    lost = run_of(UnitState.PRODUCE, {"at_s": 0, "inject": {"target": "unit_io", "kind": "lost"}})
    assert "cannot hold back" in why_left_out(lost, commands, Asker.BENCH)
    assert why_left_out(lost, commands, Asker.CONTROLLER) == ""
