"""Cells of a campaign on a live controller, in time that runs as fast as it is computed."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest
from live_samples import SEED, DeskField, fast_target, live_site

from controller.signals import Inputs, Outputs
from controller.unit.states import UnitState
from controller.wiring import Asker, load_wiring
from sim_plant.bench import approach
from sim_plant.bench.campaign.cells import Cell, Choice, Plan, make_plan, why_over
from sim_plant.bench.campaign.figures import ASKER, figures_of
from sim_plant.bench.campaign.live import LiveBench, Over, looks_kept, why_not_asked
from sim_plant.bench.campaign.rehearsal import rehearse
from sim_plant.bench.campaign.results import FILE, ResultFile
from sim_plant.bench.campaign.summary import sentences
from sim_plant.bench.campaign.work import CellResult, Order
from sim_plant.bench.live import workshop
from sim_plant.bench.live.field import LostError
from sim_plant.bench.prove import Job
from sim_plant.bench.targets import OUR_FIRMWARE
from sim_plant.bench.verdicts import Verdict

HIL = Path(__file__).parents[2] / "hil"
FOR_S = 10.0
BOOSTER_TRIPS = Cell("F64", 0, "fixed", UnitState.START_FLUSH, 2.0, 1)
FLOAT_CUT = Cell("F23", 21, "fixed", UnitState.PRODUCE, 2.0, 1)
"""The wire of the high-high float."""


def bench_on(field: DeskField, folder: Path = Path("nowhere")) -> LiveBench:
    order = Order(Job(live_site(), OUR_FIRMWARE, SEED, folder), FOR_S)
    return LiveBench(order, workshop.LiveWorkshop(live_site(), fast_target(field), SEED))


def carried_out(bench: LiveBench, cell: Cell) -> CellResult:
    told = bench.carry_out(cell)
    assert isinstance(told, CellResult)
    return told


# --- what a cell shows -------------------------------------------------------------------------------------


def test_a_cell_is_judged_from_the_strike_on_and_compared_with_nothing() -> None:
    result = carried_out(bench_on(DeskField(live_site())), BOOSTER_TRIPS)
    assert (result.verdict, result.error) == (Verdict.PASS, "")
    assert "SR-40" in {finding.name for finding in result.findings}
    assert (result.more, result.seen, result.answer, result.alarm) == (None, None, None, None)
    assert sum(scans for _state, scans in result.visits) == 2 * FOR_S * 10


def test_each_cell_starts_from_a_bank_at_rest_whatever_the_last_one_left() -> None:
    bench = bench_on(DeskField(live_site()))
    for line in ("F64", "F34", "F64"):
        result = carried_out(bench, Cell(line, 0, "fixed", UnitState.START_FLUSH, 2.0, 1))
        assert (result.verdict, result.error) == (Verdict.PASS, "")


def test_a_state_that_is_over_before_the_moment_is_no_cell_and_says_how_long_it_lasted() -> None:
    """Given 3 s of settling, which is all that DELAY lasts, and a strike after 20 s."""
    late = Cell("F64", 0, "fixed", UnitState.DELAY, 20.0, 1)
    told = bench_on(DeskField(live_site())).carry_out(late)
    assert isinstance(told, Over)
    assert told.lasts_s == pytest.approx(live_site().setpoints.settle_s, abs=0.3)
    assert why_over(late, {(1, UnitState.DELAY): told.lasts_s})


def test_a_cell_in_a_short_state_is_struck_when_its_moment_comes_in_time() -> None:
    early = Cell("F64", 0, "fixed", UnitState.DELAY, 1.0, 1)
    assert carried_out(bench_on(DeskField(live_site())), early).error == ""


class _Unreachable(DeskField):
    """Its pumps never start, so no unit comes to produce."""

    def outputs(self) -> Outputs:
        outputs = super().outputs()
        return outputs._replace(units=tuple(unit._replace(pump=False) for unit in outputs.units))


def test_a_state_that_is_not_reached_is_an_error_and_tried_once_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(approach, "LIMIT_S", 60.0)
    field = _Unreachable(live_site())
    bench = bench_on(field)
    results, scans = [], [0]
    for line in ("F64", "F01", "F05"):
        results.append(carried_out(bench, Cell(line, 0, "fixed", UnitState.PRODUCE, 2.0, 1)))
        scans.append(field.rounds.count)
    assert all("not all units produce within 60 s" in result.error for result in results)
    assert scans[1] < scans[2] == scans[3]
    assert (results[0].verdict, results[0].seen) == (Verdict.FAIL, None)


class _Mute(DeskField):
    """Tells no state from the 15th scan of a start flush on."""

    flushing = 0

    def states(self) -> tuple[int, ...]:
        return () if self.flushing > 15 else super().states()

    def publish(self, inputs: Inputs) -> None:
        super().publish(inputs)
        self.flushing += self.controller.states()[0] is UnitState.START_FLUSH


def test_a_controller_that_does_not_tell_its_state_is_not_struck() -> None:
    result = carried_out(bench_on(_Mute(live_site())), BOOSTER_TRIPS)
    assert "did not tell its state" in result.error


def test_a_bank_that_does_not_come_to_rest_ends_the_campaign(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workshop, "REST_S", 30.0)
    field = DeskField(live_site())
    bank = field.outputs().bank._replace(booster_run=True)
    field.forced = field.outputs()._replace(bank=bank)
    with pytest.raises(LostError, match=r"does not come to rest.*bank\.booster_run; put it right by hand"):
        bench_on(field).carry_out(BOOSTER_TRIPS)


def test_a_controller_that_is_gone_ends_the_campaign() -> None:
    field = DeskField(live_site())
    field.wrong = "nobody writes to skid1"
    with pytest.raises(LostError, match="nobody writes to skid1"):
        bench_on(field).carry_out(BOOSTER_TRIPS)


# --- what is kept ------------------------------------------------------------------------------------------


class _DeafToFloat(DeskField):
    """Never learns that the tank is overfull."""

    def publish(self, inputs: Inputs) -> None:
        super().publish(inputs._replace(bank=inputs.bank._replace(tank_not_overfull=True)))


def test_a_failing_cell_keeps_record_and_picture_for_the_report(tmp_path: Path) -> None:
    """Also when an earlier try was stopped after it had kept them."""
    plan = Plan((FLOAT_CUT,), {})
    with closing(ResultFile(tmp_path, {"seed": "5", ASKER: "bench"})) as file:
        file.begin(plan)
        bench = bench_on(_DeafToFloat(live_site()), tmp_path)
        carried_out(bench, FLOAT_CUT)
        file.add(carried_out(bench, FLOAT_CUT))

    (look,) = looks_kept(tmp_path / FILE, plan)

    assert (tmp_path / "records" / f"{FLOAT_CUT.run_id}.parquet").exists()
    assert look.picture.startswith("<svg")
    assert look.result is not None
    assert [finding.name for finding in look.result.requirements] == ["SR-28"]


def test_a_cell_that_holds_keeps_no_record(tmp_path: Path) -> None:
    carried_out(bench_on(DeskField(live_site()), tmp_path), BOOSTER_TRIPS)
    assert list(tmp_path.iterdir()) == []


def test_figures_of_a_live_campaign_do_not_speak_of_what_nobody_looked_for(tmp_path: Path) -> None:
    result = carried_out(bench_on(DeskField(live_site())), BOOSTER_TRIPS)
    with closing(ResultFile(tmp_path, {"seed": "5", ASKER: "bench"})) as file:
        file.begin(Plan((BOOSTER_TRIPS,), {}))
        file.add(result)
    figures = figures_of(tmp_path / FILE)
    assert (figures.held, figures.live, figures.unseen) == (True, True, ())
    told = list(sentences(figures))
    assert any(sentence.startswith("What answered first was not looked for") for sentence in told)
    assert not any("Not seen" in sentence for sentence in told)


# --- the plan and its time ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asks", "line", "state", "told"),
    [
        ("controller", "F64", UnitState.BOOT, "power-up"),
        ("controller", "F67", UnitState.PRODUCE, ""),
        ("bench", "F67", UnitState.PRODUCE, "cannot hold back that of one"),
        ("bench", "F64", UnitState.STOPPING, ""),
    ],
)
def test_what_a_live_controller_cannot_be_asked_is_left_out_with_the_reason(
    tmp_path: Path, asks: str, line: str, state: UnitState, told: str
) -> None:
    wiring = HIL / {"controller": "polling.toml", "bench": "serving.toml"}[asks]
    (tmp_path / "wiring.toml").write_bytes(wiring.read_bytes())
    reason = why_not_asked(load_wiring(tmp_path, 2, Asker(asks)), FOR_S)(
        Cell(line, 0, "fixed", state, 2.0, 1)
    )
    assert told in reason
    assert bool(reason) is bool(told)


def test_cells_that_cannot_be_asked_are_no_part_of_a_sample() -> None:
    choice = Choice(lines=("F01", "F64"), states=(UnitState.BOOT, UnitState.STANDBY), sample=2)

    def no_boot(cell: Cell) -> str:
        return "no boot" if cell.state is UnitState.BOOT else ""

    plan = make_plan(choice, 2, {}, no_boot)
    assert [cell.state for cell in plan.cells] == [UnitState.STANDBY] * 2
    assert plan.skipped["no boot"] == 4


def test_a_campaign_takes_about_as_long_as_was_reckoned() -> None:
    """Given our firmware as the live controller: its simulated time is what would be real time."""
    cells = [
        Cell("F64", 0, "fixed", UnitState.STANDBY, 2.0, 1),
        BOOSTER_TRIPS,
        Cell("F64", 0, "fixed", UnitState.STANDBY, 20.0, 1),
        Cell("F01", 0, "fixed", UnitState.PRODUCE, 2.0, 1),
        Cell("F64", 0, "fixed", UnitState.LOCKOUT, 2.0, 1),
    ]
    rehearsal = rehearse(live_site(), SEED, cells, FOR_S)
    field = DeskField(live_site())
    bench = bench_on(field)
    assert [carried_out(bench, cell).error for cell in cells] == [""] * 5
    took_s = field.rounds.count / 10.0
    assert sum(map(rehearsal.expected_s, cells)) == pytest.approx(took_s, rel=0.15)


def test_a_state_that_is_over_too_soon_takes_no_time() -> None:
    late = Cell("F64", 0, "fixed", UnitState.DELAY, 20.0, 1)
    assert rehearse(live_site(), SEED, [late], FOR_S).expected_s(late) == 0.0
