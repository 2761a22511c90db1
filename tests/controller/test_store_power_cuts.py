"""The supply is cut in the middle of a flush, and a new controller starts from what is on the disk.

A unit on the simulated plant goes through start flush, purge, quality flush and stop flush; plant and disk
are kept at every scan of them. Each cut takes the supply away at one of these scans, for a random time,
and starts a new controller. No pump may start before a whole flush, whatever the disk has kept.

A sample of the scans is cut by default; SKIDPROOF_ALL_CUTS=1 in the environment cuts every one.
"""

from __future__ import annotations

import os
import random
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from controller.firmware import Controller
from controller.settings import Setpoints
from controller.signals import Outputs, safe_outputs
from controller.store import COPIES, LOST, Store
from controller.unit.states import UnitState
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
from sim_plant.truth import UNIT_TRUTH

SCAN_MS = 100
SAMPLE = 16  # cuts in each kind of flush
EVERY_SCAN = os.environ.get("SKIDPROOF_ALL_CUTS") == "1"
SETPOINTS = Setpoints(purge_interval_s=200)
SAFE = safe_outputs(1)
POOR_MA = 12.0  # half of the range: 500 uS/cm, 250 mg/L
FLUSHES = (UnitState.START_FLUSH, UnitState.PURGE, UnitState.QUALITY_FLUSH, UnitState.STOP_FLUSH)
_FLOW = UNIT_TRUTH.index("concentrate_m3h")


@pytest.fixture(autouse=True)
def _no_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """No supply is taken from this machine, so nothing has to be forced to its disk."""
    monkeypatch.setattr(os, "fsync", lambda _file: None)


class Site:
    """One unit on its plant, and the longest flush seen while the pump stood."""

    def __init__(self, text: str | None) -> None:
        self.plant = Plant(1, PlantParameters())
        self.plant.set_tank_pct(50.0)
        self.controller = Controller(1, SETPOINTS, text)
        self.now_ms = 0
        self.poor = False
        self.out: Outputs = SAFE
        self.flush_s = self.flush_l = 0.0  # of the flush in progress, or of the last one

    @property
    def state(self) -> UnitState:
        return self.controller.states()[0]

    def scan(self) -> None:
        inputs = self.plant.inputs()
        if self.poor:
            inputs = inputs._replace(units=(inputs.units[0]._replace(permeate_cond_ma=POOR_MA),))
        before = self.out.units[0]
        self.out = self.controller.scan(inputs, self.now_ms)
        unit = self.out.units[0]
        self.plant.step(self.out, SCAN_MS)
        self.now_ms += SCAN_MS
        if unit.feed_valve and unit.flush_valve and not unit.pump:
            if not (before.feed_valve and before.flush_valve):
                self.flush_s = self.flush_l = 0.0  # a flush is whole or it is none
            self.flush_s += SCAN_MS / 1000
            self.flush_l += self.plant.unit_truth[0, _FLOW] / 3.6 * SCAN_MS / 1000

    def until(self, state: UnitState, limit_s: float) -> None:
        end_ms = self.now_ms + limit_s * 1000
        while self.state is not state:
            assert self.now_ms < end_ms, f"{self.state}, not {state} within {limit_s} s"
            self.scan()


@dataclass(frozen=True)
class Moment:
    """Plant, disk and disk of the text before, at one scan of a flush."""

    scan: int
    plant: object
    disk: dict[str, bytes]
    older: dict[str, bytes]


@cache
def moments() -> dict[UnitState, list[Moment]]:
    """Every scan of the four flushes of one ordinary run."""
    found: dict[UnitState, list[Moment]] = {flush: [] for flush in FLUSHES}
    site = Site(None)
    with TemporaryDirectory() as name:
        folder = Path(name)
        store = Store(folder)
        disk: dict[str, bytes] = {}
        text, older = store.recalled.text, disk

        def watch(state: UnitState) -> None:
            nonlocal text, disk, older
            while site.state is state:
                site.scan()
                if site.controller.retained() != text:
                    text = site.controller.retained()
                    store.write(text)
                    older, disk = disk, {path.name: path.read_bytes() for path in folder.iterdir()}
                if state in found:
                    moment = Moment(len(found[state]), site.plant.snapshot(), disk, older)
                    found[state].append(moment)

        for state in (UnitState.BOOT, UnitState.STANDBY, UnitState.WAIT_PERMIT, UnitState.START_FLUSH):
            watch(state)
        for state in (UnitState.DELAY, UnitState.PUMP_START, UnitState.PRODUCE, UnitState.PURGE):
            watch(state)
        site.poor = True
        for state in (UnitState.PRODUCE, UnitState.QUALITY_FLUSH):
            watch(state)
        site.poor = False
        site.plant.set_tank_pct(96.0)
        for state in (UnitState.PRODUCE, UnitState.STOPPING, UnitState.STOP_FLUSH):
            watch(state)
        assert site.state is UnitState.STANDBY
    return found


def after_cut(moment: Moment, folder: Path, files: dict[str, bytes], dip_ms: int) -> Site:
    """The supply goes and comes back; a new controller knows only these files."""
    for path in folder.iterdir():
        path.unlink()
    for name, data in files.items():
        (folder / name).write_bytes(data)
    site = Site(Store(folder).recalled.text)
    site.plant.restore(moment.plant)
    site.plant.set_tank_pct(50.0)  # water is wanted
    site.plant.set_power(False)
    for _step in range(dip_ms // 10):
        site.plant.step(SAFE, 10)
    site.plant.set_power(True)
    site.now_ms = 10**6
    return site


@pytest.mark.parametrize("flush", FLUSHES)
def test_after_a_cut_at_any_scan_of_a_flush_no_pump_starts_before_a_whole_flush(
    flush: UnitState, tmp_path: Path
) -> None:
    all_moments = moments()[flush]
    chance = random.Random(f"54 {flush}")
    chosen = all_moments if EVERY_SCAN else sorted(chance.sample(all_moments, SAMPLE), key=lambda m: m.scan)
    for moment in chosen:
        files = dict(chance.choice((moment.disk, moment.older)))
        if chance.random() < 0.5 and files:  # the cut also spoilt one copy
            copy = chance.choice(COPIES)
            files[copy] = files[copy][: chance.randrange(len(files[copy]))]
        site = after_cut(moment, tmp_path, files, dip_ms=chance.randrange(10, 10_001))
        first_ms = site.now_ms

        while not site.out.units[0].pump:
            assert site.now_ms - first_ms < 400_000, f"scan {moment.scan}: stays in {site.state}"
            site.scan()
            if site.now_ms - first_ms <= 5_000:  # SR-42
                assert not any(site.out.units[0])

        assert site.flush_s >= SETPOINTS.start_flush_s - SCAN_MS / 1000, f"scan {moment.scan}"
        assert site.flush_l >= SETPOINTS.start_flush_volume_l, f"scan {moment.scan}"
        assert site.controller.states() == (UnitState.PUMP_START,)
    print(f"{flush}: {len(chosen)} cuts of {len(all_moments)} scans")


@pytest.mark.parametrize("flush", FLUSHES)
def test_after_a_cut_that_spoilt_both_copies_nothing_moves(flush: UnitState, tmp_path: Path) -> None:
    moment = random.Random(43).choice(moments()[flush])
    files = {name: data if name not in COPIES else data[:-1] for name, data in moment.disk.items()}

    site = after_cut(moment, tmp_path, files, dip_ms=200)
    for _scan in range(3_000):
        site.scan()
        assert not any(site.out.units[0]._replace(beacon=False))

    assert Store(tmp_path).recalled.text == LOST
    assert site.state is UnitState.LOCKOUT
