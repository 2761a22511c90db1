"""What can come in during one scan of two units and their coordinator.

As with one unit: a base in which all is well, and atoms that make one thing different. In one scan there may
be one of what the units share and one of each unit. The inputs are few on purpose (``SHARED_PLACES``,
``UNIT_PLACES``): what stops, holds or cuts a unit, and what the bank decides by. All other rules of a unit
are asked where one unit is explored alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, BankInputs, Command, Kind, Verb, signal_named, to_ma
from sim_plant.bench.explore.base import Passed
from sim_plant.bench.explore.pair_bank import UNITS, BankScene, Chosen

SHARED_PLACES = (
    "demand",
    "tank full",
    "level",
    "queue",
    "E-stop",
    "high-high float",
    "floor leak",
    "drain sump",
    "booster",
    "antiscalant",
    "bank selector",
    "header",
    "bank image",
    "lease",
    "pre-start",
    "brownout",
    "reset",
    "commands",
    "maintenance",
    "return",
    "power",
)
"""Places of what the units share; commands are given to a unit, but the bank hears them too."""

UNIT_PLACES = (
    "selector_auto",
    "isolator_on",
    "pump_running",
    "motor_healthy",
    "suction_ok",
    "age_ms",
    "starts_spent",
    "volume_met",
    "flush_put_off",
    "old debt",
    "head start",
)
"""Places of one unit: those of ``scene``, and two that matter only beside another unit."""

OLD_DEBT, HEAD_START = "old debt", "head start"
SMALL = ("demand", "tank full", "maintenance", "motor_healthy", "reset")
"""A small world that closes within seconds; each place is there for both units."""


class Tried(NamedTuple):
    """One base: what the bank grants, what has passed since the scan before, and whether atoms are tried.

    A tick has no length, so long timers of one unit may get on while those of the other, or of the bank, have
    not: what is a tick for one is a short while for the other. Short timers get on in all of them.
    """

    granted: bool
    bank: Passed
    one: Passed
    two: Passed
    atoms: bool


def _tried(granted: bool, passed: Passed, atoms: bool) -> Tried:
    return Tried(granted, passed, passed, passed, atoms)


_T, _S = Passed.TICK, Passed.SHORT
TRIED: tuple[Tried, ...] = (
    _tried(True, Passed.TICK, True),
    _tried(True, Passed.SHORT, True),
    _tried(True, Passed.NOTHING, True),
    _tried(False, Passed.NOTHING, True),
    _tried(False, Passed.SHORT, False),
    _tried(False, Passed.TICK, False),
    *(
        Tried(granted, *passed, False)
        for granted in (True, False)
        for passed in ((_S, _T, _S), (_S, _S, _T), (_T, _S, _S))
    ),
)


class Given(NamedTuple):
    """What an observer at the bank's terminals sees of a scan's inputs."""

    full: bool = False
    below_first: bool = False
    estop: bool = False
    stale: bool = False
    overfull: bool = False
    leak: bool = False
    fault: bool = False
    header_ready: bool = False
    stroke: bool = False
    quiet: bool = False  # nothing is amiss with what is shared, and demand stays
    called_and_well: bool = False  # nothing is amiss and the tank wants as many units as there are
    called_one: bool = False  # nothing is amiss and the tank wants one unit


class Levels(NamedTuple):
    """One level of the tank out of each interval between the limits of demand."""

    low: float  # both units are wanted
    fair: float  # one is
    high: float  # nobody new is
    full: float

    @staticmethod
    def of(s: Setpoints) -> Levels:
        """Between and beyond a site's limits."""
        return Levels(
            s.tank_last_pct / 2.0,
            s.tank_first_pct - 0.1,
            (s.tank_first_pct + s.tank_stop_pct) / 2.0,
            (s.tank_stop_pct + 100.0) / 2.0,
        )


_LEVEL = signal_named(BANK_SIGNALS, "tank_level_ma")
_OPEN_AT_REST = ("reset_button",)


def healthy(s: Setpoints) -> BankInputs:
    """The shared image when all is well and one unit is wanted."""
    contacts: dict[str, Any] = {
        signal.name: signal.name not in _OPEN_AT_REST for signal in BANK_SIGNALS if signal.kind is Kind.DI
    }
    quantities = {
        "header_ma": s.header_bar,
        "feed_flow_ma": 0.0,
        "feed_temp_ma": s.temp_clear_degc / 2.0,
        "feed_cond_ma": 1.0,
        "chlorine_ma": 0.0,
        "booster_speed_ma": s.booster_min_hz,
        "tank_level_ma": Levels.of(s).fair,
        "product_cond_ma": 1.0,
    }
    loops: dict[str, Any] = {
        name: to_ma(signal_named(BANK_SIGNALS, name), value) for name, value in quantities.items()
    }
    return BankInputs(**contacts, **loops)


def bank_base(s: Setpoints, *, granted: bool) -> BankScene:
    """All is well and demand stays as it is; the bank grants what it can, or its pre-start waits."""
    io = healthy(s)._replace(dosing_pulse=granted)
    return BankScene(() if granted else (WAITS,), io, 0, (), Chosen(waits=not granted))


WAITS = "the bank waits"


class BankAtom(NamedTuple):
    """One thing of what the units share that is not as in the base."""

    name: str
    place: str
    io: dict[str, Any]
    chosen: dict[str, bool]
    commands: tuple[Command, ...] = ()
    age_ms: int = 0

    @property
    def unit(self) -> int:
        """The unit that it is given to, 0 for what is shared."""
        return self.commands[0].unit if self.commands else 0

    def on(self, scene: BankScene) -> BankScene:
        """The scene with this one thing different."""
        return BankScene(
            (*scene.told, self.name),
            scene.io._replace(**self.io),
            max(scene.age_ms, self.age_ms),
            (*scene.commands, *self.commands),
            scene.chosen._replace(**self.chosen),
        )


def bank_atoms(s: Setpoints, only: tuple[str, ...] = ()) -> tuple[BankAtom, ...]:
    """All of them; ``only`` leaves out those of other places."""
    return tuple(atom for atom in _bank_atoms(s) if comes_from(only, atom.place, atom.unit))


def comes_from(only: tuple[str, ...], place: str, unit: int) -> bool:
    """Does something come from a place? ``only`` names places, "PLACE/1" for unit 1 alone; () is all."""
    return not only or place in only or f"{place}/{unit}" in only


def _bank_atoms(s: Setpoints) -> Iterator[BankAtom]:
    level = {name: to_ma(_LEVEL, value) for name, value in Levels.of(s)._asdict().items()}
    moves = {"demand_moves": True}
    for second in (False, True):
        words = ", unit 2 first" if second else ""
        chosen = {**moves, "second_first": second}
        place = "queue" if second else "demand"
        yield BankAtom("level low" + words, place, {"tank_level_ma": level["low"]}, chosen)
        yield BankAtom("level fair" + words, place, {"tank_level_ma": level["fair"]}, chosen)
    yield BankAtom("unit 2 first", "queue", {}, {"second_first": True})
    yield BankAtom("level high", "tank full", {"tank_level_ma": level["high"]}, {})
    yield BankAtom("tank full", "tank full", {"tank_level_ma": level["full"]}, {})
    yield BankAtom("level unknown", "level", {"tank_level_ma": 0.0}, {})
    yield BankAtom("E-stop", "E-stop", {"estop_healthy": False}, {})
    yield BankAtom("high-high float", "high-high float", {"tank_not_overfull": False}, {})
    yield BankAtom("floor leak", "floor leak", {"floor_dry": False}, {})
    yield BankAtom("sump high", "drain sump", {"sump_ok": False}, {})
    yield BankAtom("drive fault", "booster", {"drive_healthy": False}, {})
    yield BankAtom("antiscalant low", "antiscalant", {"antiscalant_ok": False}, {})
    yield BankAtom("bank selector off", "bank selector", {"bank_run": False}, {})
    header = signal_named(BANK_SIGNALS, "header_ma")
    yield BankAtom("header lost", "header", {"header_ma": to_ma(header, s.header_low_bar / 2.0)}, {})
    yield BankAtom("header unknown", "header", {"header_ma": 0.0}, {})
    yield BankAtom("bank image stale", "bank image", {}, {}, age_ms=round(1000.0 * s.io_stale_s) + 1)
    yield BankAtom("lease over", "lease", {}, {"lapsed": True})
    yield BankAtom("pre-start too long", "pre-start", {"dosing_pulse": False}, {"late": True, "waits": True})
    yield BankAtom("power came and went", "brownout", {}, {"held_back": True})
    for unit in range(UNITS + 1):
        yield _command(Verb.RESET, unit, "reset")
    for unit in range(1, UNITS + 1):
        yield _command(Verb.MAINTAIN, unit, "maintenance")
        yield _command(Verb.RETURN_TO_SERVICE, unit, "return")
        yield _command(Verb.START, unit, "commands")
        yield _command(Verb.STOP, unit, "commands")


def _command(verb: Verb, unit: int, place: str) -> BankAtom:
    to = f" unit {unit}" if unit else " bank"
    return BankAtom(verb.value + to, place, {}, {}, (Command(verb, unit, "a person"),))


def given_of(scene: BankScene, s: Setpoints, *, granted: bool, passed: Passed) -> Given:
    """What an observer sees of a scene."""
    io, levels = scene.io, Levels.of(s)
    ready_ma = to_ma(signal_named(BANK_SIGNALS, "header_ma"), s.header_ready_bar)
    well = granted and passed is Passed.TICK and len(scene.told) == 1 and scene.age_ms == 0
    level_ma = io.tank_level_ma
    stale = scene.age_ms > 1000.0 * s.io_stale_s
    return Given(
        full=level_ma >= to_ma(_LEVEL, s.tank_stop_pct) and not stale,
        below_first=4.0 <= level_ma < to_ma(_LEVEL, s.tank_first_pct) and not stale,
        estop=not io.estop_healthy,
        stale=stale,
        overfull=not io.tank_not_overfull,
        leak=not io.floor_dry and not stale,
        fault=not io.drive_healthy and not stale,
        header_ready=granted and io.header_ma >= ready_ma,
        stroke=io.dosing_pulse,
        quiet=not scene.told,
        called_and_well=well and scene.chosen.demand_moves and level_ma == to_ma(_LEVEL, levels.low),
        called_one=well and scene.chosen.demand_moves and level_ma == to_ma(_LEVEL, levels.fair),
    )
