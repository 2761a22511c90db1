"""A bank of two units on real sockets: plant, remote I/O, proxy, driver and firmware in one process.

    plant -- RemoteIo -- server -- proxy -- RemoteDriver -- Controller

Nothing is simulated between driver and server, and time is the machine's. Two scans are called from
outside, half a period apart: ``plant_scan`` and ``firmware_scan``; the links have threads of their own. What
is seen at the field in each scan of the plant goes to a recorder and to ``tests.hil.storm_rules``.

A bank begins in production: plant and firmware come there at the desk, without a line and in no time, and
both go on from that moment on the line.
"""

from __future__ import annotations

import functools
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from controller.drivers.remote import CLOSE_S, RemoteDriver
from controller.firmware import Controller, Snapshot
from controller.modbus.server import ServerThread, serve_tcp
from controller.settings import Setpoints
from controller.signals import Inputs, Outputs, safe_outputs
from controller.unit.states import STATES
from controller.wiring import default_wiring
from sim_plant.bench.trace import BANK_DI, Mark, Recorder, Trace
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
from sim_plant.serve.remote_io import RemoteIo
from tests.hil.proxy import Proxy, ProxyThread
from tests.hil.storm_rules import FieldRules
from tests.serve.serve_samples import remote_links

SCAN_MS = 100
N_UNITS = 2
OURS, OTHER = 7, 99
LOW_PCT = 30.0  # so little in the tank that all units are called
STEP_MS_MAX = 500
PRESS_MS = 500
DOWN_S = 3.0  # a program that a person starts again; longer than the devices keep what it drove
PROGRAM_ENDS = "the program's end"
DEVICES = ("bank", "skid1", "skid2")
UNIT_IDS = {"bank": 100, "skid1": 1, "skid2": 2}

SHORT = Setpoints(
    start_flush_s=30,
    start_flush_volume_l=15,
    start_flush_max_s=90,
    stop_flush_s=20,
    stop_flush_volume_l=10,
    settle_s=3,
    health_s=2,
    water_good_s=10,
    header_ready_s=2,
    min_off_s=80,
    max_starts_per_h=9,
    demand_change_s=5,
    min_run_min=0,
    min_rest_min=0,
    resume_s=0,
    resume_step_s=0,
    brownout_min=1,  # the program is started again after each second master: no supply that comes and goes
    io_retries=5,
    resets_per_h=10,
    drain_capacity_m3h=50,
    booster_capacity_m3h=100,
)
"""Short waits, so that a bank produces again soon; all inside their ranges."""


def recovery_most_ms(s: Setpoints) -> int:
    """From what a person did last to production of all units, with every wait at its longest.

    Stop flush; rest of the motor, or of a line that was lost; pre-start. Then each unit goes once through
    flush, wait for its turn and pressure rise, one after the other at worst: a pump that starts shakes the
    header, and who waits too long for it flushes anew. Longer than that each of these ends in a trip.
    """
    stopped_s = s.coast_s + s.stop_flush_s + s.flush_tail_s
    rested_s = max(s.min_off_s, s.io_back_s)
    prestart_s = s.health_s + s.water_good_s + s.header_rise_max_s + s.header_ready_s + s.dosing_proof_s
    turn_s = s.start_flush_max_s + s.settle_s + s.start_slot_wait_s + s.pressure_rise_s
    started_s = DOWN_S + CLOSE_S + s.boot_s
    return round(1_000 * (started_s + stopped_s + rested_s + prestart_s + N_UNITS * turn_s))


STATE_NAMES = tuple(state.value for state in STATES)
_CODES = {state: code for code, state in enumerate(STATES)}


@dataclass(frozen=True)
class Ready:
    """A bank in production at the desk: what to go on from, and the moment."""

    plant: object
    firmware: Snapshot
    outputs: Outputs
    t_ms: int
    record: Trace


READY_AFTER_MS, READY_LATEST_MS = 20_000, 600_000
CONNECT_S = 20.0


@functools.cache
def ready(setpoints: Setpoints = SHORT, seed: int = 1) -> Ready:
    """Bring plant and firmware to production of all units, and 20 s further, scan by scan."""
    plant, firmware = _new_plant(seed), Controller(N_UNITS, setpoints)
    recorder = Recorder(N_UNITS, STATE_NAMES)
    t_ms, producing_ms, outputs = 0, 0, safe_outputs(N_UNITS)
    while producing_ms < READY_AFTER_MS:
        assert t_ms < READY_LATEST_MS, firmware.waits()
        inputs = plant.inputs()
        outputs = firmware.scan(inputs, t_ms)
        recorder.add(t_ms, inputs, outputs, plant.unit_truth, plant.bank_truth)
        plant.step(outputs, SCAN_MS)
        firmware.take_events()
        t_ms += SCAN_MS
        producing_ms = producing_ms + SCAN_MS if all(unit.pump for unit in outputs.units) else 0
    return Ready(plant.snapshot(), firmware.snapshot(), outputs, t_ms, recorder.trace())


def _new_plant(seed: int) -> Plant:
    plant = Plant(N_UNITS, PlantParameters(), seed)
    plant.set_tank_pct(LOW_PCT)
    return plant


def now_ms() -> int:
    """Monotonic time of the machine."""
    return time.monotonic_ns() // 1_000_000


def answerable(trace: Trace, rules: FieldRules, t0_ms: int, end_ms: int) -> Trace:
    """A record, ``t0_ms`` its beginning, without what no master can answer; the monitors know of no line.

    A contact is open from the first image that carried it on, and not at all when none did. While a module
    keeps its outputs by a fault, its image has no age. ``rules`` has its own limits for both.
    """

    def rows(from_ms: int, to_ms: int) -> slice:
        first, end = np.searchsorted(trace.t_ms, (from_ms - t0_ms, to_ms - t0_ms))
        return slice(int(first), int(end))

    for name, contact in (("estop_healthy", rules.estop), ("tank_not_overfull", rules.float)):
        for from_ms, to_ms in contact.unseen(end_ms):
            trace.bank_di[rows(from_ms, to_ms), BANK_DI.index(name)] = True
    for unit, from_ms, to_ms in rules.were_held:
        ages_ms = trace.unit_age_ms[:, unit - 1] if unit else trace.bank_age_ms
        ages_ms[rows(from_ms, to_ms)] = 0
    return trace


class StormBank:
    """One bank. ``close`` it, whatever happened; the servers' and proxies' threads belong to the caller."""

    def __init__(
        self, servers: ServerThread, proxies: ProxyThread, seed: int, setpoints: Setpoints = SHORT
    ) -> None:
        begun = ready(setpoints)
        self.wiring = default_wiring(N_UNITS)
        self.setpoints = setpoints
        self.io = RemoteIo(self.wiring, now_ms)
        self.server_port = servers.start(serve_tcp(self.io.on_link("io"))).port
        self.proxy = Proxy(proxies, self.server_port, seed)
        self.plant = _new_plant(seed)
        self.plant.restore(begun.plant)
        self.t0_ms = self._stepped_ms = now_ms()  # see go
        self.recorder = Recorder(N_UNITS, STATE_NAMES)
        self.rules = FieldRules(self.wiring.n_units)
        self.rows_late_ms: list[int] = []  # of the plant's scans
        self.scans_late_ms: list[int] = []  # of the firmware's, from one to the next, beyond the period
        self.starts = [0] * N_UNITS
        self._later: list[tuple[int, Callable[[], None]]] = []
        self._restarting: threading.Thread | None = None
        self._scanned_ms = 0
        self.inputs: Inputs | None = None  # as the firmware had them last
        self._start_program(None)
        self.controller.restore(begun.firmware)
        self.outputs = begun.outputs
        self._desk = begun  # its time is gone on from by firmware and record
        self.connected, self._going = threading.Event(), threading.Event()
        self._keeper = threading.Thread(target=self._connect, daemon=True)
        self._keeper.start()

    def _connect(self) -> None:
        """Let the line carry the image of production, and keep it until ``go``."""
        end_s = time.monotonic() + CONNECT_S
        while not self._going.is_set():
            self.driver.write(self.outputs)
            self._publish()
            time.sleep(0.05)
            if not self.connected.is_set() and self._carries():
                self.connected.set()
            assert self.connected.is_set() or time.monotonic() < end_s, self.said

    def _carries(self) -> bool:
        inputs = self.driver.read()
        fresh = max(inputs.bank_age_ms, *inputs.unit_age_ms) < self.setpoints.io_stale_s * 500
        return fresh and self.io.drive().units == self.outputs.units

    def go(self) -> None:
        """Plant and firmware go on from the desk; the scans follow at once. AssertionError: no line."""
        assert self.connected.wait(CONNECT_S), self.said
        self._going.set()
        self._keeper.join()
        self.t0_ms = self._stepped_ms = now_ms()
        self.t0_ms -= self._desk.t_ms

    # --- the program --------------------------------------------------------------------------------------

    def _start_program(self, retained: str | None) -> None:
        self.said: list[str] = []
        links = remote_links(self.wiring, {"io": self.proxy.port})
        self.controller = Controller(N_UNITS, self.setpoints, retained)
        self.driver = RemoteDriver(links, N_UNITS, OURS, self._say, now_ms)

    def _say(self, text: str) -> None:
        self.said.append(f"{(now_ms() - self.t0_ms) / 1000:.1f} {text}")

    def restart_program(self) -> None:
        """As a person would; takes a while, in which the firmware does not scan."""

        def work() -> None:
            retained = self.controller.retained()
            self.driver.close()
            time.sleep(DOWN_S)
            self._start_program(retained)

        self.mark("power", 0, "program started again")
        self.rules.cut_off(PROGRAM_ENDS, range(N_UNITS + 1), now_ms(), "SR-43")
        self._restarting = threading.Thread(target=work, daemon=True)
        self._restarting.start()

    @property
    def restarting(self) -> bool:
        """The program is being started again."""
        return self._restarting is not None and self._restarting.is_alive()

    def firmware_scan(self) -> None:
        """One scan of the firmware."""
        if self.restarting:
            self._scanned_ms = 0
            return
        at_ms = now_ms()
        self.rules.reachable(PROGRAM_ENDS)
        if self._scanned_ms:
            self.scans_late_ms.append(max(at_ms - self._scanned_ms - SCAN_MS, 0))
        self._scanned_ms = at_ms
        inputs = self.driver.read()
        self.rules.taken(inputs, at_ms)
        self.driver.write(self.controller.scan(inputs, at_ms - self.t0_ms))
        self.inputs = inputs

    # --- the plant ----------------------------------------------------------------------------------------

    def plant_scan(self) -> None:
        """One scan of the plant: what is driven is recorded, judged and acted on for the time that passed."""
        at_ms = now_ms()
        passed_ms = max(at_ms - self._stepped_ms, 1)
        for due in [one for one in self._later if one[0] <= at_ms]:
            self._later.remove(due)
            due[1]()
        outputs = self.io.drive()
        shown = self.plant.inputs()
        self._count_starts(outputs)
        self.rules.look(at_ms, passed_ms, shown, outputs)
        truth = (self.plant.unit_truth, self.plant.bank_truth)
        self.recorder.add(at_ms - self.t0_ms, self._aged(shown), outputs, *truth, self._states())
        self.outputs = outputs
        self.rows_late_ms.append(max(passed_ms - SCAN_MS, 0))
        self._stepped_ms = at_ms
        while passed_ms > 0:
            self.plant.step(outputs, min(passed_ms, STEP_MS_MAX))
            passed_ms -= STEP_MS_MAX
        self._publish()

    def _publish(self) -> None:
        inputs = self.plant.inputs()
        self.rules.shown(inputs, now_ms())
        self.io.publish(inputs)

    def _aged(self, shown: Inputs) -> Inputs:
        """The field's image with the ages that the firmware was told; fresh ones are 0, as on the bench."""
        if self.inputs is None:
            return shown
        stale_ms = self.setpoints.io_stale_s * 1000
        ages = [age if age > stale_ms else 0 for age in (self.inputs.bank_age_ms, *self.inputs.unit_age_ms)]
        return shown._replace(bank_age_ms=ages[0], unit_age_ms=tuple(ages[1:]))

    def _states(self) -> tuple[int, ...]:
        return tuple(_CODES[state] for state in self.controller.states())

    def _count_starts(self, outputs: Outputs) -> None:
        for i, (before, after) in enumerate(zip(self.outputs.units, outputs.units, strict=True)):
            self.starts[i] += after.pump and not before.pump

    # --- people -------------------------------------------------------------------------------------------

    @property
    def producing(self) -> bool:
        """Every pump runs at the field."""
        return all(unit.pump for unit in self.outputs.units)

    def press_reset(self) -> None:
        """A person's finger on the button."""
        self.operate("reset_button", True)
        self.rules.reset_given()
        self.in_ms(PRESS_MS, lambda: self.operate("reset_button", False))

    def operate(self, switch: str, on: bool) -> None:
        """Turn a switch of the bank."""
        self.plant.operate(switch, 0, on)
        self.mark("operate", 0, f"{switch} {'on' if on else 'off'}")

    def in_ms(self, wait_ms: int, act: Callable[[], None]) -> None:
        """Do it later, in a scan of the plant."""
        self._later.append((now_ms() + wait_ms, act))

    def mark(self, what: str, unit: int, text: str) -> None:
        """As the bench marks what it does."""
        self.recorder.marks.append(Mark(now_ms() - self.t0_ms, what, unit, text))

    @property
    def played_s(self) -> float:
        """Since ``go``, to the last scan of the plant."""
        return max(self._stepped_ms - self.t0_ms - self._desk.t_ms, 0) / 1000

    def trace(self) -> Trace:
        """What was seen at the desk and on the line."""
        return self._desk.record.followed_by(self.recorder.trace())

    def judged_trace(self) -> Trace:
        """The same, as the monitors are shown it."""
        return answerable(self.trace(), self.rules, self.t0_ms, now_ms())

    def close(self) -> None:
        """End the program, let the proxy go."""
        if self._restarting is not None:
            self._restarting.join()
        self.driver.close()
        self.proxy.close()
