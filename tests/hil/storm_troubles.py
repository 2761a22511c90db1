"""What a storm is made of: the communication faults F67 to F77, each a thing that begins and ends.

``draw`` makes a storm of them from a random generator: same generator, same storm.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from dataclasses import dataclass

from controller.modbus.link import Link, LinkError, TcpSettings
from sim_plant.bench.monitors.causes import LINK_LOST
from tests.hil.proxy import Mischief, Rule
from tests.hil.storm_bank import DEVICES, OTHER, UNIT_IDS, StormBank, now_ms
from tests.hil.storm_rules import STALE_MS

CUTS_ALL = ("lose requests", "lose answers", "half open", "cut", "exception", "garble", "echo", "wrong id")
"""Nothing reaches the device when all frames are struck, so it falls to rest by itself."""
CUTS_IMAGE = ("stand still", "replay", "foreign", "swap", "identity", "silence")
"""No image that the firmware may believe; a unit is driven to rest, or falls."""

HOWS: dict[str, tuple[str, ...]] = {
    "F67": ("silence", "lose requests", "lose answers", "delay", "half open", "cut"),
    "F68": ("stand still", "replay", "stale first"),
    "F69": ("garble",),
    "F70": ("duplicate",),
    "F71": ("wrong id", "foreign"),
    "F72": ("swap",),
    "F73": ("exception",),
    "F74": ("echo",),
    "F75": ("reboot held", "reboot"),
    "F76": ("identity",),
    "F77": ("second master",),
}
_OF_PROXY = {
    "lose requests": Mischief.LOSE_REQUEST,
    "lose answers": Mischief.LOSE_ANSWER,
    "delay": Mischief.DELAY,
    "half open": Mischief.HALF_OPEN,
    "cut": Mischief.CUT,
    "replay": Mischief.REPLAY,
    "stale first": Mischief.STALE,
    "garble": Mischief.GARBLE,
    "duplicate": Mischief.DUPLICATE,
    "wrong id": Mischief.WRONG_ID,
    "foreign": Mischief.FOREIGN,
    "swap": Mischief.SWAP,
    "exception": Mischief.EXCEPTION,
    "echo": Mischief.ECHO,
}
_WHOLE_LINK = ("half open", "cut")
_SHARES = (0.02, 0.1, 0.3, 0.5, 1.0, 1.0, 1.0)
_DELAY_S = (0.05, 0.15, 0.3, 0.6)
_BOOT_MS = (100, 400, 900, 1500, 3000)


@dataclass(frozen=True)
class Trouble:
    """One fault: ``how`` at ``device`` (None: the whole link), from and to ms after the storm's beginning."""

    fault_id: str
    how: str
    device: str | None
    from_ms: int
    to_ms: int
    share: float = 1.0
    delay_s: float = 0.0
    boot_ms: int = 0

    @property
    def devices(self) -> tuple[str, ...]:
        """Those that are struck."""
        return DEVICES if self.device is None else (self.device,)

    @property
    def name(self) -> str:
        """For people."""
        share = f" {self.share:.0%}" if self.how in _OF_PROXY else ""
        return f"{self.fault_id} {self.how}{share} at {self.device or 'the link'}"

    def rule(self) -> Rule | None:
        """What the proxy does, None where the device does it."""
        what = _OF_PROXY.get(self.how)
        unit_id = None if self.device is None else UNIT_IDS[self.device]
        return None if what is None else Rule(what, unit_id, self.share, self.delay_s)

    def cut_off(self) -> tuple[int, ...]:
        """Units that must be at rest before long; 0 is the bank."""
        if self.how in _OF_PROXY and self.share < 1.0:
            return ()
        units = tuple(0 if name == "bank" else int(name.removeprefix("skid")) for name in self.devices)
        if self.how in CUTS_ALL or self.how == "silence":
            return units
        if self.how in CUTS_IMAGE:  # where our writes still arrive the bank goes on serving stop flushes
            still_written = self.how in ("stand still", "replay")
            return tuple(unit for unit in units if unit or not still_written)
        return ()


class SecondMaster(threading.Thread):
    """Writes marks of its own and the image at rest to one device, past the proxy, every 50 ms."""

    def __init__(self, port: int, device: str) -> None:
        super().__init__(daemon=True)
        self.over = threading.Event()
        self.writes = 0
        self._link = Link(TcpSettings("127.0.0.1", port))
        self._unit_id = UNIT_IDS[device]
        self._rest = [0, 4000, 4000] if device == "bank" else [0]

    def run(self) -> None:
        """Until it is over."""
        beat = 30_000
        while not self.over.wait(0.05):
            beat += 1
            try:
                self._link.exchange(
                    self._unit_id, ("holding", 0, [beat, OTHER, *self._rest]), None, False, 0.2
                )
                self.writes += 1
            except LinkError:
                continue
        self._link.close()


class Weather:
    """Begins and ends troubles at a bank; keeps what stands."""

    def __init__(self, bank: StormBank) -> None:
        self._bank = bank
        self._standing: list[Trouble] = []
        self._masters: dict[Trouble, SecondMaster] = {}
        self._lost: set[int] = set()  # units whose loss is marked
        self._kept: set[int] = set()  # units whose module kept its outputs, until they have a fresh image
        self.second_master_was_here = False

    def begin(self, trouble: Trouble) -> None:
        """It happens."""
        bank = self._bank
        self._standing.append(trouble)
        bank.mark("inject", 0, trouble.name)
        for name in trouble.devices:
            self._act(trouble, name)
        self._set_rules()
        bank.rules.cut_off(trouble.name, trouble.cut_off(), now_ms())

    def look(self) -> None:
        """Mark losses of units' I/O for the monitors; after every scan of the plant.

        A loss that the firmware can know of is over when it has a fresh image again. One during which the
        module keeps its outputs is none for the monitors: no master can do anything then.
        """
        bank = self._bank
        for unit in range(1, bank.wiring.n_units + 1):
            cut = any(unit in trouble.cut_off() for trouble in self._standing)
            fresh = bank.inputs is not None and bank.inputs.unit_age_ms[unit - 1] <= STALE_MS
            if unit in bank.rules.held:
                self._kept.add(unit)
            elif fresh and not cut:
                self._kept.discard(unit)
            was_lost, is_kept = unit in self._lost, unit in self._kept
            if cut and not was_lost and not is_kept:
                self._lost.add(unit)
                bank.mark("inject", unit, LINK_LOST)
            elif was_lost and (is_kept or (fresh and not cut)):
                self._lost.discard(unit)
                bank.mark("clear", unit, LINK_LOST)

    def _act(self, trouble: Trouble, name: str) -> None:
        bank, io = self._bank, self._bank.io
        unit = 0 if name == "bank" else int(name.removeprefix("skid"))
        acts: dict[str, Callable[[], None]] = {
            "silence": lambda: io.silence(name, trouble.to_ms - trouble.from_ms),
            "stand still": lambda: io.stand_still(name),
            "identity": lambda: io.show_identity(name, 4711.0),
            "reboot": lambda: io.reboot(name, trouble.boot_ms),
        }
        if trouble.how in acts:
            acts[trouble.how]()
        elif trouble.how == "reboot held":
            bank.rules.hold(unit, now_ms())
            io.hold_outputs(name)
            io.reboot(name, trouble.boot_ms)
        elif trouble.how == "second master":
            self.second_master_was_here = True
            self._masters[trouble] = SecondMaster(bank.server_port, name)
            self._masters[trouble].start()

    def end(self, trouble: Trouble) -> None:
        """It is over."""
        bank = self._bank
        self._standing.remove(trouble)
        bank.mark("clear", 0, trouble.name)
        for name in trouble.devices:
            self._undo(trouble, name)
        self._set_rules()
        bank.rules.reachable(trouble.name)

    def _undo(self, trouble: Trouble, name: str) -> None:
        bank, io = self._bank, self._bank.io
        unit = 0 if name == "bank" else int(name.removeprefix("skid"))
        if trouble.how == "stand still":
            io.stand_still(name, False)
        elif trouble.how == "identity":
            io.show_identity(name, None)
        elif trouble.how == "reboot held":
            io.hold_outputs(name, False)
            bank.rules.let_go(unit, now_ms())
        elif trouble.how == "second master":
            self._masters.pop(trouble).over.set()

    def _set_rules(self) -> None:
        rules = [trouble.rule() for trouble in self._standing]
        self._bank.proxy.set_rules([rule for rule in rules if rule is not None])

    def clear(self) -> None:
        """All of it is over."""
        for trouble in tuple(self._standing):
            self.end(trouble)


def draw(rng: random.Random, length_ms: int) -> list[Trouble]:
    """Troubles for one storm, in the order of their beginning. One at a time per device and for the link."""
    troubles: list[Trouble] = []
    for place in (None, *DEVICES):
        at_ms = rng.randrange(0, length_ms // 2)
        while at_ms < length_ms - 1_000:
            trouble = _draw_one(rng, place, at_ms, length_ms)
            troubles.append(trouble)
            at_ms = trouble.to_ms + rng.choice((200, 1_000, 4_000, 15_000))
    return sorted(troubles, key=lambda trouble: trouble.from_ms)


def _draw_one(rng: random.Random, place: str | None, at_ms: int, length_ms: int) -> Trouble:
    while True:
        fault_id = rng.choice(tuple(HOWS))
        how = rng.choice(HOWS[fault_id])
        if fault_id == "F77" and rng.random() < 0.5:  # it ends with a start of the program: not too often
            continue
        if (place is None) == (how in _WHOLE_LINK or (how in _OF_PROXY and rng.random() < 0.5)):
            break
    lasts_ms = rng.choice((300, 900, 1_500, 2_500, 5_000, 12_000, 25_000))
    boot_ms = rng.choice(_BOOT_MS)
    if how.startswith("reboot"):
        lasts_ms = boot_ms + 1_000
    share = 1.0 if how in (*_WHOLE_LINK, "duplicate") else rng.choice(_SHARES)
    end_ms = min(at_ms + lasts_ms, length_ms)
    return Trouble(fault_id, how, place, at_ms, end_ms, share, rng.choice(_DELAY_S), boot_ms)
