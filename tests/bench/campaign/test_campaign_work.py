"""Cells carried out here, by processes and by a cluster, and what happens to those of a lost worker."""

from __future__ import annotations

import os
import pickle
import signal
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from typing import Any

import dask
import pytest
from campaign_samples import SEED, LosingHands, cell, order, pair
from distributed import LocalCluster

from controller.unit.states import UnitState
from sim_plant.bench.campaign.cells import Cell
from sim_plant.bench.campaign.hands import Cluster, HandsLostError, Here, Pool
from sim_plant.bench.campaign.work import LOST, Bench, CellResult, Order, hand_out
from sim_plant.bench.runner import Workshop
from sim_plant.bench.targets import OUR_FIRMWARE, find_factory
from sim_plant.bench.verdicts import Verdict

SEVEN = [cell(f"F{n:02d}") for n in (1, 5, 8, 16, 19, 33, 40)]
SAMPLES = "tests.bench.campaign.campaign_samples"
DEADLY = f"{SAMPLES}:Deadly"


def by_key(results: list[CellResult]) -> dict[str, CellResult]:
    """Results by name, without how long the computer took; every cell exactly once."""
    found = {result.cell.key: replace(result, took_s=0.0) for result in results}
    assert len(found) == len(results)
    return found


# --- one cell ---


@pytest.fixture(scope="module")
def bench() -> Bench:
    """A bench whose runs go on for 12 s."""
    return Bench(order(12.0))


def test_a_cut_suction_wire_in_a_start_flush_is_answered_by_the_feed_valve(bench: Bench) -> None:
    result = bench.carry_out(cell("F01", UnitState.START_FLUSH))
    assert result.error == ""
    assert result.verdict is Verdict.PASS
    assert result.answer is not None
    assert result.answer.what == "feed_valve off"
    assert 1000 <= result.answer.after_ms <= 3000  # a broken loop is judged after 2 s, see the settings
    assert result.alarm is not None
    assert result.seen
    assert ("START_FLUSH", "STOPPING", 1) in result.moves
    assert result.simulated_s == pytest.approx(13.0)


def test_visits_count_every_scan_of_every_unit_once(bench: Bench) -> None:
    result = bench.carry_out(cell("F01", UnitState.START_FLUSH))
    assert sum(scans for _state, scans in result.visits) == 2 * 120


def test_a_fault_that_nothing_can_tell_is_not_seen(bench: Bench) -> None:
    result = bench.carry_out(cell("F20", UnitState.START_FLUSH))  # chlorine reads zero where there is none
    assert (result.answer, result.alarm) == (None, None)
    assert all(n == 0 for n in result.more)
    assert not result.seen


def test_only_triggers_after_the_strike_count(bench: Bench) -> None:
    result = bench.carry_out(cell("F20", UnitState.START_FLUSH))
    assert result.findings
    assert all(f.at_ms is None or f.at_ms >= 0 for f in result.findings)
    cold = bench.carry_out(cell("F20", UnitState.BOOT))
    struck_ms = 1000
    assert all(f.at_ms is None or f.at_ms >= struck_ms for f in cold.findings)


def test_how_long_a_state_lasts_is_measured_undisturbed(bench: Bench) -> None:
    assert bench.lasts_s(1, UnitState.BOOT, 20.0) == pytest.approx(5.0, abs=0.2)
    assert bench.lasts_s(1, UnitState.START_FLUSH, 20.0) is None


def test_a_state_that_is_never_reached_is_an_error_of_its_cells_and_tried_once() -> None:
    bench = Bench(order(5.0, f"{SAMPLES}:NeverFlushes"))
    first, second = (
        bench.carry_out(cell("F01", UnitState.DELAY)),
        bench.carry_out(cell("F05", UnitState.DELAY)),
    )
    assert "did not come into DELAY" in first.error
    assert first.verdict is Verdict.FAIL
    assert second.error == first.error
    assert second.took_s == 0.0


def test_a_controller_that_breaks_down_is_an_error_of_the_cell() -> None:
    bench = Bench(order(5.0, f"{SAMPLES}:Crashes"))
    assert "ZeroDivisionError: no pressure" in bench.carry_out(cell("F01")).error
    assert bench.carry_out(cell("F05")).error == ""


@pytest.mark.parametrize("line", ["F01", "F47"])
@pytest.mark.parametrize("controller", [OUR_FIRMWARE, "tests.broken.controllers:IgnoresLowSuction"])
def test_counting_from_the_strike_loses_no_failure(line: str, controller: str) -> None:
    severity = "severe" if line == "F47" else "fixed"
    run = cell(line, UnitState.START_FLUSH, severity).run(70.0)
    workshop = Workshop(pair(), find_factory(controller), SEED)

    whole = {f.name: f for f in workshop.carry_out(run).requirements}
    since = {f.name: f for f in workshop.carry_out(run, since_strike=True).requirements}

    assert whole.keys() == since.keys()
    for name, finding in whole.items():
        assert (since[name].verdict is Verdict.FAIL) == (finding.verdict is Verdict.FAIL)
        assert since[name].triggers <= finding.triggers
    assert sum(f.triggers for f in since.values()) < sum(f.triggers for f in whole.values())


# --- lots that are lost ---


def test_a_lot_that_is_lost_once_is_handed_out_again_cell_by_cell() -> None:
    hands = LosingHands({"F05": 1})
    results = by_key(list(hand_out(order(), SEVEN, hands)))
    assert set(results) == {c.key for c in SEVEN}
    assert {result.error for result in results.values()} == {"done for 5 s"}
    assert [len(lot) for lot in hands.lots] == [3, 3, 1, 1, 1, 1]


def test_a_cell_that_is_lost_three_times_is_an_error_and_takes_no_other_with_it() -> None:
    hands = LosingHands({"F05": 99})
    results = by_key(list(hand_out(order(), SEVEN, hands)))
    assert {c.line for c in SEVEN if results[c.key].error == LOST} == {"F05"}
    assert {results[c.key].error for c in SEVEN if c.line != "F05"} == {"done for 5 s"}
    assert results[cell("F05").key].verdict is Verdict.FAIL
    assert Counter(c.line for lot in hands.lots for c in lot)["F05"] == 3


def test_a_cell_that_is_lost_twice_is_carried_out_at_the_third_time() -> None:
    results = by_key(list(hand_out(order(), SEVEN, LosingHands({"F05": 2}))))
    assert {result.error for result in results.values()} == {"done for 5 s"}


# --- processes ---


def test_processes_find_what_this_process_finds() -> None:
    cells = [cell("F01"), cell("F47", severity="severe"), cell("F82")]
    here = by_key(list(hand_out(order(), cells, Here())))
    with closing(Pool(2)) as pool:
        assert by_key(list(hand_out(order(), cells, pool))) == here


def test_a_cell_that_kills_its_process_is_an_error_and_all_others_are_carried_out() -> None:
    with closing(Pool(2)) as pool:
        results = by_key(list(hand_out(order(2.0, DEADLY), SEVEN, pool)))
    assert set(results) == {c.key for c in SEVEN}
    assert {c.line for c in SEVEN if results[c.key].error} == {"F01"}
    assert results[cell("F01").key].error == LOST


# --- a cluster ---


@contextmanager
def two_workers() -> Iterator[Any]:
    """A scheduler and two worker processes on this machine."""
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as local:
        yield local


def test_when_a_worker_of_a_cluster_is_killed_every_cell_is_accounted_for() -> None:
    cells = [cell(c.line, state) for state in (UnitState.BOOT, UnitState.STANDBY) for c in SEVEN]
    results: list[CellResult] = []
    with two_workers() as local, closing(Cluster(local.scheduler_address)) as cluster:
        cluster.lot = 1
        pids = {worker.worker_address: worker.pid for worker in local.workers.values()}
        for result in hand_out(order(20.0), cells, cluster):
            if not results:
                busy = [at for at, tasks in cluster._client.processing().items() if tasks]
                os.kill(pids[(busy or [*pids])[0]], signal.SIGKILL)
            results.append(result)
    found = by_key(results)
    assert set(found) == {c.key for c in cells}
    assert [result.error for result in results if result.error] == []
    assert found == by_key(list(hand_out(order(20.0), cells, Here())))


def test_a_cell_that_kills_the_workers_of_a_cluster_is_an_error_and_all_others_are_carried_out() -> None:
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),  # so many more before it gives up
        two_workers() as local,
        closing(Cluster(local.scheduler_address)) as cluster,
    ):
        results = by_key(list(hand_out(order(2.0, DEADLY), SEVEN, cluster)))
    assert {c.line for c in SEVEN if results[c.key].error} == {"F01"}
    assert results[cell("F01").key].error == LOST


def test_a_scheduler_without_workers_is_told() -> None:
    with (
        LocalCluster(n_workers=0, dashboard_address=None, host="127.0.0.1") as local,
        pytest.raises(HandsLostError, match="the scheduler has no workers"),
    ):
        Cluster(local.scheduler_address)


def test_a_scheduler_that_does_not_answer_is_told() -> None:
    with pytest.raises(HandsLostError, match=r"--cluster tcp://127\.0\.0\.1:9: no scheduler answers there"):
        Cluster("tcp://127.0.0.1:9", timeout_s=0.5)


def test_orders_and_cells_are_what_they_were_after_their_way_to_a_worker() -> None:
    sent: tuple[Order, Cell] = (order(), SEVEN[0])
    assert pickle.loads(pickle.dumps(sent)) == sent
