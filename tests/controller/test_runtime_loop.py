"""The real-time loop on a clock that the test turns."""

from __future__ import annotations

import pytest
from harness import QUICK
from runtime_harness import MS, SCAN_MS, Bench

from controller.firmware import Controller
from controller.runtime import CRASHED, STOPPED, Runner
from controller.signals import Inputs, Outputs, safe_outputs

SAFE = safe_outputs(1)


# --- deadlines ----------------------------------------------------------------------------------------


def test_scans_begin_at_fixed_moments_however_long_each_takes() -> None:
    bench = Bench()
    bench.driver.takes_ms = {scan: 7 * scan for scan in range(14)}

    bench.run(14)

    assert bench.starts_ms() == [scan * SCAN_MS for scan in range(14)]
    assert bench.loop.overruns == 0


@pytest.mark.parametrize(("takes_ms", "skipped"), [(99, 0), (101, 1), (199, 1), (250, 2), (10_050, 100)])
def test_a_long_scan_skips_the_moments_it_missed_and_counts_them(takes_ms: float, skipped: int) -> None:
    bench = Bench()
    bench.driver.takes_ms = {2: takes_ms}

    bench.run(6)

    after = (3 + skipped) * SCAN_MS
    assert bench.starts_ms() == [0, 100, 200, after, after + 100, after + 200]
    assert bench.loop.overruns == skipped


def test_a_thread_that_is_woken_late_does_not_shift_the_moments_that_follow() -> None:
    bench = Bench()
    bench.clock.oversleep_ns = 3 * MS

    bench.run(50)

    assert bench.starts_ms()[1:] == [scan * SCAN_MS + 3 for scan in range(1, 50)]
    assert list(bench.loop.late_ns)[1:] == [3 * MS] * 49


def test_the_firmware_is_given_the_time_after_the_read(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench()
    seen = []

    def scan(_inputs: Inputs, now_ms: int) -> Outputs:
        seen.append(now_ms)
        return SAFE

    monkeypatch.setattr(bench.controller, "scan", scan)
    bench.driver.takes_ms = {1: 40}

    bench.run(3)

    assert seen == [5_000, 5_140, 5_200]


def test_an_overrun_is_an_event() -> None:
    bench = Bench()
    bench.driver.takes_ms = {2: 250}

    bench.run(6)

    assert bench.records.texts("overrun") == ["2 scans skipped, 2 since the start"]


def test_a_loop_that_always_overruns_does_not_flood_the_journal_and_loses_no_count() -> None:
    bench = Bench()
    bench.driver.takes_ms = dict.fromkeys(range(200), 150)

    bench.run(200)  # 40 s

    texts = bench.records.texts("overrun")
    assert bench.loop.overruns == 200
    assert 3 <= len(texts) <= 5
    assert texts[-1].split(", ")[1] == f"{sum(int(text.split()[0]) for text in texts)} since the start"


def test_a_driver_that_stalls_is_told_once_while_it_hangs() -> None:
    bench = Bench()
    bench.run(3)
    for _look in range(20):
        bench.clock.ns += 200 * MS
        bench.loop.watch()

    assert bench.records.texts("overrun") == ["no new scan for 1 s: the driver or the firmware hangs"]


def test_a_second_stall_is_told_again_and_a_healthy_loop_never() -> None:
    bench = Bench()
    for _stall in range(2):
        bench.run(20, before=lambda _scan: bench.loop.watch())
        bench.clock.ns += 1_500 * MS
        bench.loop.watch()

    assert len(bench.records.texts("overrun")) == 2


# --- what a scan hands over ------------------------------------------------------------------------------


def test_every_scan_offers_the_retained_text_after_the_outputs_were_driven() -> None:
    bench = Bench()
    order: list[str] = []
    write, offer = bench.driver.write, bench.kept.offer
    bench.driver.write = lambda outputs: (order.append("write"), write(outputs))[1]  # type: ignore[method-assign]  # only watched
    bench.kept.offer = lambda text: (order.append("keep"), offer(text))[1]  # type: ignore[method-assign]  # only watched

    bench.run(3)

    assert order == ["write", "keep"] * 3
    assert bench.kept.texts[-1] == bench.controller.retained()


def test_events_of_the_firmware_reach_the_journal_with_wall_time() -> None:
    bench = Bench(QUICK)

    bench.run(100)

    moves = [line for line in bench.records.lines if line.kind == "move"]
    assert moves
    for line, wall_ns in zip(bench.records.lines, bench.records.walls_ns, strict=True):
        assert wall_ns == line.t_ms * MS + bench.clock.offset_ns


def test_the_firmware_brings_a_unit_to_production_on_the_driver_without_a_line() -> None:
    bench = Bench(QUICK)

    bench.run(2_000)

    assert bench.loop.status().endswith("PRODUCE")
    assert bench.driver.outputs.units[0].pump


# --- wall clock --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step_s", [3_600, -3_600, 2.5, -2.5, -800_000_000])
def test_a_step_of_the_wall_clock_is_journalled_once_and_changes_no_output(step_s: float) -> None:
    stepped, reference = Bench(QUICK), Bench(QUICK)

    def step(scan: int) -> None:
        if scan == 500:
            stepped.clock.offset_ns += round(step_s * 1e9)

    stepped.run(1_500, step)
    reference.run(1_500)

    assert stepped.records.texts("clock") == [f"E38 wall clock stepped by {step_s:+.1f} s; no timer uses it"]
    assert stepped.driver.written == reference.driver.written
    assert stepped.starts_ms() == reference.starts_ms()
    assert reference.records.texts("clock") == []


@pytest.mark.parametrize("step_s", [1.9, -1.9])
def test_a_small_step_of_the_wall_clock_is_no_event(step_s: float) -> None:
    bench = Bench()

    def step(scan: int) -> None:
        if scan == 50:
            bench.clock.offset_ns += round(step_s * 1e9)

    bench.run(100, step)

    assert bench.records.texts("clock") == []


def test_a_wall_clock_that_is_slewed_is_no_event() -> None:
    bench = Bench()

    def slew(_scan: int) -> None:
        bench.clock.offset_ns += 50 * MS  # half a second in each second, 50 s in all

    bench.run(1_000, slew)

    assert bench.records.texts("clock") == []


def test_two_steps_are_two_events() -> None:
    bench = Bench()

    def step(scan: int) -> None:
        if scan in (50, 80):
            bench.clock.offset_ns += 3_600_000 * MS

    bench.run(100, step)

    assert len(bench.records.texts("clock")) == 2


# --- the end ------------------------------------------------------------------------------------------------


def test_a_time_limit_ends_the_run_with_the_safe_image() -> None:
    bench = Bench()

    code = Runner(bench.loop, bench.notifier, for_s=2.0).run()

    assert code == STOPPED
    assert len(bench.driver.reads_ns) == 20
    assert bench.driver.written[-1] == SAFE
    assert bench.records.texts("run") == ["stopped by --for; safe image driven"]


def pumping_bench() -> Bench:
    """A bench whose pump runs."""
    bench = Bench(QUICK)
    bench.run(2_000)
    assert bench.driver.outputs.units[0].pump
    return bench


def test_a_driver_that_fails_ends_the_run_with_the_safe_image_and_a_traceback() -> None:
    bench = pumping_bench()
    bench.driver.fails_in = 2_010

    code = Runner(bench.loop, bench.notifier).run()

    assert code == CRASHED
    assert len(bench.driver.reads_ns) == 2_011
    assert bench.driver.outputs == SAFE
    (crash,) = bench.records.texts("crash")
    assert crash.startswith("Traceback")
    assert crash.endswith("ConnectionError: the line is dead\n")
    assert bench.records.texts("run") == ["stopped by a crash; safe image driven"]


def test_a_firmware_that_fails_ends_the_run_with_the_safe_image(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = pumping_bench()

    def scan(_self: Controller, _inputs: Inputs, _now_ms: int) -> Outputs:
        raise ZeroDivisionError("a defect")

    monkeypatch.setattr(Controller, "scan", scan)

    assert Runner(bench.loop, bench.notifier).run() == CRASHED
    assert bench.driver.outputs == SAFE
    assert "ZeroDivisionError: a defect" in bench.records.texts("crash")[0]


def test_a_safe_image_that_cannot_be_driven_is_no_clean_end() -> None:
    bench = Bench()
    bench.run(3)
    bench.driver.write_fails = True
    runner = Runner(bench.loop, bench.notifier)
    runner.stop("the test")

    assert runner.run() == CRASHED
    assert bench.records.texts("run") == ["stopped by the test; THE SAFE IMAGE COULD NOT BE DRIVEN"]


def test_a_scan_that_comes_back_after_the_end_does_not_undo_the_safe_image() -> None:
    bench = pumping_bench()

    bench.loop.make_safe()
    bench.run(5)

    assert all(outputs == SAFE for outputs in bench.driver.written[-5:])
