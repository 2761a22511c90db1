"""The fault catalogue, F01 to F94: for each line what injects it, or where else it belongs.

Severity runs from the mildest to the worst value that a line names; a fault without a value has none.
A line may have several ways to happen; the injections of one way act together.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind

PLANT = "plant"
MODBUS = "the Modbus link"
PEOPLE = "people: a step of a case"
CONTROLLER = "the controller: a step of a case"


@dataclass(frozen=True)
class Injection:
    """One pair of target and kind with its range of severity; both values are None when it takes none."""

    target: str
    kind: str
    mild: float | None = None
    severe: float | None = None

    def value(self, severity: float) -> float | None:
        """Value at a severity of 0 (mild) to 1 (severe)."""
        if self.mild is None or self.severe is None:
            return None
        return self.mild + (self.severe - self.mild) * severity


Way = tuple[Injection, ...]


@dataclass(frozen=True)
class Line:
    """One line of the catalogue. Without ``ways`` the plant cannot do it and ``reason`` says why."""

    text: str
    ways: tuple[Way, ...] = ()
    belongs_to: str = PLANT
    reason: str = ""


def _way(target: str, kind: str, mild: float | None = None, severe: float | None = None) -> Way:
    return (Injection(target, kind, mild, severe),)


def _every_contact(kind: str) -> tuple[Way, ...]:
    return tuple(_way(s.name, kind) for s in (*UNIT_SIGNALS, *BANK_SIGNALS) if s.kind is Kind.DI)


def _both_flows(kind: str, mild: float | None = None, severe: float | None = None) -> tuple[Way, ...]:
    return _way("permeate_flow", kind, mild, severe), _way("concentrate_flow", kind, mild, severe)


_INSTRUMENTS: dict[str, Line] = {
    "F01": Line("suction transmitter, wire cut", (_way("suction", "open_circuit"),)),
    "F02": Line("suction transmitter stuck", (_way("suction", "stuck_at", 2.5, 2.5),)),
    "F03": Line("suction transmitter drifts", (_way("suction", "drift", -0.05, -0.5),)),
    "F04": Line("suction transmitter spikes", (_way("suction", "spike", -1.0, -3.0),)),
    "F05": Line("membrane transmitter, wire cut", (_way("membrane", "open_circuit"),)),
    "F06": Line(
        "membrane transmitter stuck while the restrictor plugs",
        ((Injection("membrane", "stuck"), Injection("restrictor", "plugged", 0.5, 1.0)),),
    ),
    "F07": Line("membrane transmitter reads too much", (_way("membrane", "gain", 1.1, 1.3),)),
    "F08": Line("permeate conductivity, wire cut", (_way("permeate_cond", "open_circuit"),)),
    "F09": Line("permeate conductivity stuck", (_way("permeate_cond", "stuck_at", 150.0, 150.0),)),
    "F10": Line("permeate conductivity cell dry", (_way("permeate_cond", "stuck_at", 0.0, 0.0),)),
    "F11": Line("permeate conductivity noisy", (_way("permeate_cond", "noise", 10.0, 30.0),)),
    "F12": Line("permeate conductivity slow", (_way("permeate_cond", "slow", 30.0, 90.0),)),
    "F13": Line("flow transmitter, wire cut", _both_flows("open_circuit")),
    "F14": Line("flow transmitter stuck", _both_flows("stuck")),
    "F15": Line("flow transmitter with a wrong K-factor", _both_flows("gain", 0.8, 0.5)),
    "F16": Line("level transmitter, wire cut", (_way("tank_level", "open_circuit"),)),
    "F17": Line("level transmitter stuck", (_way("tank_level", "stuck_at", 60.0, 60.0),)),
    "F18": Line("level transmitter drifts", (_way("tank_level", "drift", -0.05, -0.5),)),
    "F19": Line("chlorine, wire cut", (_way("chlorine", "open_circuit"),)),
    "F20": Line("chlorine stuck at zero", (_way("chlorine", "stuck_at", 0.0, 0.0),)),
    "F21": Line("feed temperature, loop shorted", (_way("feed_temp", "short_circuit"),)),
    "F22": Line("contact welded closed", _every_contact("stuck_closed")),
    "F23": Line("contact wire cut", _every_contact("stuck_open")),
}

_MACHINES: dict[str, Line] = {
    "F24": Line("feed valve stuck closed", (_way("feed_valve", "stuck_closed"),)),
    "F25": Line("feed valve stuck open", (_way("feed_valve", "stuck_open"),)),
    "F26": Line("feed valve slow", (_way("feed_valve", "slow", 5.0, 15.0),)),
    "F27": Line("feed valve leaks", (_way("feed_valve", "leak", 0.01, 0.3),)),
    "F28": Line("flush valve stuck closed", (_way("flush_valve", "stuck_closed"),)),
    "F29": Line("flush valve stuck open", (_way("flush_valve", "stuck_open"),)),
    "F30": Line("flush valve slow", (_way("flush_valve", "slow", 5.0, 20.0),)),
    "F31": Line("flush valve leaks", (_way("flush_valve", "leak", 0.05, 0.8),)),
    "F32": Line("pump worn", (_way("pump", "worn", 0.9, 0.6),)),
    "F33": Line("pump air-bound", (_way("pump", "air_bound"),)),
    "F34": Line("locked rotor, overload", (_way("pump", "locked"), _way("motor", "overload"))),
    "F35": Line("pump runs backwards", (_way("pump", "reversed"),)),
    "F36": Line("contactor does not close", (_way("pump_contactor", "fails_open"),)),
    "F37": Line("contactor welded", (_way("pump_contactor", "welded"),)),
    "F38": Line("prefilter plugs", (_way("prefilter", "plugged", 0.2, 2.0),)),
    "F39": Line("prefilter bypassed, membranes foul faster", (_way("prefilter", "bypassing", 2.0, 10.0),)),
    "F40": Line("prefilter collapsed", (_way("prefilter", "collapsed"),)),
    "F41": Line("O-ring torn", (_way("membrane", "torn_oring", 2.0, 10.0),)),
    "F42": Line("membranes oxidised", (_way("membrane", "oxidised"),)),
    "F43": Line("membranes fouled", (_way("membrane", "fouled", 0.99, 0.8),)),
    "F44": Line("membranes scaled", (_way("membrane", "scaled", 0.05, 0.3),)),
    "F45": Line("restrictor plugged", (_way("restrictor", "plugged", 0.5, 1.0),)),
    "F46": Line("restrictor eroded", (_way("restrictor", "eroded", 1.1, 1.3),)),
}

_SHARED: dict[str, Line] = {
    "F47": Line("feed header dips", (_way("feed_header", "dip", 1.5, 0.2),)),
    "F48": Line("feed header pulse", (_way("feed_header", "pulse", 1.0, 2.5),)),
    "F49": Line("water hammer in the feed header", (_way("feed_header", "hammer", 4.0, 10.0),)),
    "F50": Line("borehole declines, runs dry", (_way("source", "decline", 0.5, 10.0), _way("source", "dry"))),
    "F51": Line("feed saltier", (_way("source", "tds", 4800.0, 9600.0),)),
    "F52": Line(
        "feed warmer, colder",
        (_way("source", "temperature", 30.0, 50.0), _way("source", "temperature", 18.0, 10.0)),
    ),
    "F53": Line("chlorine in the feed", (_way("source", "chlorine", 0.05, 2.0),)),
    "F54": Line("demand surges", (_way("tank", "demand_surge", 6.0, 24.0),)),
    "F55": Line("tank overflows with its level stuck", (_way("tank_level", "stuck_at", 60.0, 60.0),)),
    "F56": Line("product header valve shut", (_way("product_header", "shut"),)),
    "F57": Line("permeate check valve leaks back", (_way("permeate_check_valve", "leak", 0.01, 0.1),)),
    "F58": Line("drain blocked", (_way("drain", "blocked", 0.5, 0.0),)),
    "F59": Line("drain takes less than the flush slots assume", (_way("drain", "blocked", 0.8, 0.4),)),
    "F60": Line("antiscalant empty", (_way("antiscalant", "empty"),)),
    "F61": Line("dosing pump air-locked", (_way("dosing", "no_pulse"),)),
    "F62": Line("dosing line siphons", (_way("dosing", "siphoning", 20.0, 200.0),)),
    "F63": Line(
        "wrong dose", (_way("dosing", "wrong_dose", 0.7, 0.3), _way("dosing", "wrong_dose", 1.5, 3.0))
    ),
    "F64": Line("booster trips", (_way("booster", "trip"),)),
    "F65": Line("booster hunts", (_way("booster", "hunting", 1.0, 6.0),)),
    "F66": Line("speed reference lost", (_way("speed_reference", "lost"),)),
    "F67": Line("I/O module does not answer", (_way("unit_io", "lost"),)),
    "F78": Line(
        "power dip",
        (_way("supply", "interrupted", 0.01, 60.0),),
        reason="the controller's own restart is the step `power` of a case",
    ),
    "F79": Line("brown-out", (_way("supply", "sag", 80.0, 55.0),)),
    "F80": Line(
        "dips one after another",
        (_way("supply", "interrupted", 0.05, 2.0),),
        reason="one dip; a case repeats it",
    ),
    "F81": Line("one phase lost", (_way("supply", "phase_lost"),)),
    "F82": Line("24 V lost alone", (_way("supply", "control_lost"),)),
}


def _elsewhere(owner: str, lines: dict[str, tuple[str, str]]) -> dict[str, Line]:
    return {name: Line(text, (), owner, reason) for name, (text, reason) in lines.items()}


_WIRE = "the plant gives images, not messages; a faulty link stands between it and the controller"
_LINK = _elsewhere(
    MODBUS,
    {
        "F68": ("stale values on a live link", _WIRE),
        "F69": ("garbled frames", _WIRE),
        "F70": ("answer twice", _WIRE),
        "F71": ("answer to another request", _WIRE),
        "F72": ("word order swapped", _WIRE),
        "F73": ("exception instead of an answer", _WIRE),
        "F74": ("write echoed but not done", _WIRE),
        "F75": ("module restarts with its outputs held", _WIRE),
        "F76": ("module replaced with a wrong address", _WIRE),
        "F77": ("two masters write", _WIRE),
    },
)
_PROGRAM = _elsewhere(
    CONTROLLER,
    {
        "F83": ("task of a unit hangs", "the bench holds the controller's outputs, the plant cannot"),
        "F84": ("program hangs", "the bench stops calling it; the plant's watchdog relay then drops"),
        "F85": ("retained data corrupt", "retained data are the controller's"),
        "F86": ("wall clock jumps", "step `wall_clock_s`; the plant itself has no wall clock"),
    },
)
_PERSONS = _elsewhere(
    PEOPLE,
    {
        "F87": ("start and stop mashed", "steps `command`"),
        "F88": ("reset held", "step `operate` reset_button"),
        "F89": ("selector flicked in a flush", "steps `operate` selector_auto"),
        "F90": ("hand valve left shut", "step `operate` feed_hand_valve"),
        "F91": ("filter housing opened", "no instrument can see it: left to people and the lock"),
        "F92": ("maintenance on the wrong unit", "steps `command` and `operate` isolator_on"),
        "F93": ("two screens command at once", "steps `command` of two people"),
        "F94": ("setpoint typed tenfold", "step `setpoint`; the settings refuse it, see their ranges"),
    },
)

CATALOGUE: dict[str, Line] = dict(
    sorted((_INSTRUMENTS | _MACHINES | _SHARED | _LINK | _PROGRAM | _PERSONS).items())
)


def lines_of(target: str, kind: str) -> tuple[str, ...]:
    """Ids of the lines that a pair of target and kind serves."""
    return tuple(
        name
        for name, line in CATALOGUE.items()
        if any((i.target, i.kind) == (target, kind) for way in line.ways for i in way)
    )
