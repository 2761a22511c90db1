"""The I/O list: the only boundary between the firmware and whatever it drives.

Two tables, one for a unit and one for the bank, say what every signal is; four named tuples carry
them. A plant, a Modbus map or a live PLC exchanges exactly these images with the firmware:

    Inputs (bank + one per unit + operator commands)  ->  Controller.scan  ->  Outputs

Rules of the wiring (common practice, no source): a protective contact is closed (True) when healthy,
an actuator is de-energised (False) to its safe position, a feedback is closed (True) when the thing
is true. A cut wire therefore reads as a trip, or as "not proven".

Analogue inputs travel in milliampere, so that a broken loop is visible to the firmware (NAMUR NE 43).
Tags follow ISA-5.1: loop number = unit * 100 + item, "x" stands for the unit number.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

UNITS_MIN, UNITS_MAX = 1, 64


class Kind(StrEnum):
    """What a signal is, seen from the firmware."""

    DI = "digital input"
    AI = "analogue input"
    DO = "digital output"
    AO = "analogue output"


class Signal(NamedTuple):
    """One row of the I/O list.

    ``on_loss`` is the value that the firmware must assume (inputs) or that the I/O must take
    (outputs) when the controller, the link or the supply is lost. ``lo``/``hi`` is the range of
    4..20 mA in ``unit``; both are 0 for a contact.
    """

    name: str
    tag: str
    kind: Kind
    text: str
    on_loss: str
    unit: str = ""
    lo: float = 0.0
    hi: float = 0.0

    @property
    def is_option(self) -> bool:
        """A site may have it or not; its text says so."""
        return self.text.endswith("(option)")


UNIT_SIGNALS: tuple[Signal, ...] = (
    Signal("selector_auto", "HS-x01", Kind.DI, "selector in AUTO", "reads OFF"),
    Signal("isolator_on", "HS-x02", Kind.DI, "maintenance isolator auxiliary, closed when on", "isolated"),
    Signal("pump_running", "YS-x10", Kind.DI, "main contactor mirror contact", "not proven"),
    Signal("enable_closed", "YS-x12", Kind.DI, "series enable contactor mirror contact", "not proven"),
    Signal("motor_healthy", "YA-x11", Kind.DI, "motor protector, opens on trip", "trip"),
    Signal("suction_ok", "PSLL-x01", Kind.DI, "suction pressure switch, closed above 0.5 bar", "low"),
    Signal("discharge_ok", "PSHH-x02", Kind.DI, "discharge pressure switch, opens at 17.5 bar", "trip"),
    Signal("permeate_ok", "PSH-x05", Kind.DI, "permeate pressure switch, opens at 1.0 bar", "trip"),
    Signal("skid_dry", "LSH-x09", Kind.DI, "skid leak detector, closed when dry", "leak"),
    Signal("feed_valve_shut", "ZSC-x01", Kind.DI, "feed valve closed proof (option)", "not proven"),
    Signal("flush_valve_shut", "ZSC-x02", Kind.DI, "flush valve closed proof (option)", "not proven"),
    Signal("suction_ma", "PT-x01", Kind.AI, "suction pressure after the prefilter", "BAD", "bar", 0, 6),
    Signal("membrane_ma", "PT-x02", Kind.AI, "membrane inlet pressure", "BAD", "bar", 0, 25),
    Signal("permeate_cond_ma", "AT-x05", Kind.AI, "permeate conductivity, 25 degC", "BAD", "uS/cm", 0, 1000),
    Signal("permeate_flow_ma", "FT-x03", Kind.AI, "permeate flow", "BAD", "m3/h", 0, 2.5),
    Signal("concentrate_flow_ma", "FT-x04", Kind.AI, "concentrate and flush flow", "BAD", "m3/h", 0, 5),
    Signal("feed_valve", "XV-x01", Kind.DO, "feed solenoid valve, energise to open", "closes"),
    Signal("flush_valve", "XV-x02", Kind.DO, "concentrate flush valve, energise to open", "closes"),
    Signal("pump", "YC-x10", Kind.DO, "high-pressure pump main contactor", "stops"),
    Signal("enable", "YC-x12", Kind.DO, "series enable contactor in the E-stop chain", "drops"),
    Signal("divert", "XV-x06", Kind.DO, "permeate diverter, energise to tank (option)", "to drain"),
    Signal("beacon", "UA-x00", Kind.DO, "unit fault beacon", "off"),
)

BANK_SIGNALS: tuple[Signal, ...] = (
    Signal("estop_healthy", "ESR-001", Kind.DI, "E-stop relay, closed when healthy", "E-stop"),
    Signal("supply_healthy", "JS-002", Kind.DI, "supply and phase relay", "fault"),
    Signal("reset_button", "HS-003", Kind.DI, "reset button, momentary", "no reset"),
    Signal("bank_run", "HS-004", Kind.DI, "bank run selector, closed = run", "stop"),
    Signal("booster_running", "YS-020", Kind.DI, "booster running", "stopped"),
    Signal("drive_healthy", "YA-021", Kind.DI, "booster drive healthy", "fault"),
    Signal("antiscalant_ok", "LSL-031", Kind.DI, "antiscalant tank, closed above low", "low"),
    Signal("dosing_running", "YS-030", Kind.DI, "dosing pump running", "not proven"),
    Signal("dosing_pulse", "FS-032", Kind.DI, "dosing stroke pulse", "not proven"),
    Signal("dosing_healthy", "YA-033", Kind.DI, "dosing pump healthy", "fault"),
    Signal("tank_not_overfull", "LSHH-041", Kind.DI, "high-high float, opens at 98 %", "trip"),
    Signal("tank_above_low", "LSL-042", Kind.DI, "low float, closed above 10 %", "low"),
    Signal("source_wet", "LSL-051", Kind.DI, "borehole level, closed when water", "dry"),
    Signal("floor_dry", "LSH-061", Kind.DI, "floor leak detector, closed when dry", "leak"),
    Signal("sump_ok", "LSH-062", Kind.DI, "drain sump, closed when not high", "high"),
    Signal("header_ma", "PT-010", Kind.AI, "feed header pressure", "BAD", "bar", 0, 6),
    Signal("feed_flow_ma", "FT-010", Kind.AI, "feed header flow", "BAD", "m3/h", 0, 60),
    Signal("feed_temp_ma", "TT-011", Kind.AI, "feed temperature", "BAD", "degC", 0, 60),
    Signal("feed_cond_ma", "AT-012", Kind.AI, "feed conductivity", "BAD", "mS/cm", 0, 10),
    Signal("chlorine_ma", "AT-013", Kind.AI, "free chlorine in the feed", "BAD", "mg/L", 0, 2),
    Signal("booster_speed_ma", "ST-020", Kind.AI, "booster speed", "BAD", "Hz", 0, 60),
    Signal("tank_level_ma", "LT-040", Kind.AI, "product tank level", "BAD", "%", 0, 100),
    Signal("product_cond_ma", "AT-045", Kind.AI, "product header conductivity", "BAD", "uS/cm", 0, 1000),
    Signal("booster_run", "YC-020", Kind.DO, "booster drive enable", "off"),
    Signal("dosing_run", "YC-030", Kind.DO, "dosing pump run", "off"),
    Signal("alarm_relay", "YA-070", Kind.DO, "bank alarm relay, energised = healthy", "alarm"),
    Signal("watchdog", "YC-071", Kind.DO, "watchdog pulse, 1 Hz", "relay drops in 2 s"),
    Signal("horn", "HA-072", Kind.DO, "horn", "off"),
    Signal("booster_speed_cmd_ma", "SC-020", Kind.AO, "booster speed reference", "4 mA", "Hz", 0, 60),
    Signal("dosing_rate_cmd_ma", "SC-030", Kind.AO, "dosing rate", "4 mA", "%", 0, 100),
)


class UnitInputs(NamedTuple):
    """Input image of one unit: contacts first, then loops in mA, in the order of UNIT_SIGNALS."""

    selector_auto: bool
    isolator_on: bool
    pump_running: bool
    enable_closed: bool
    motor_healthy: bool
    suction_ok: bool
    discharge_ok: bool
    permeate_ok: bool
    skid_dry: bool
    feed_valve_shut: bool
    flush_valve_shut: bool
    suction_ma: float
    membrane_ma: float
    permeate_cond_ma: float
    permeate_flow_ma: float
    concentrate_flow_ma: float


class BankInputs(NamedTuple):
    """Input image of what the units share, in the order of BANK_SIGNALS."""

    estop_healthy: bool
    supply_healthy: bool
    reset_button: bool
    bank_run: bool
    booster_running: bool
    drive_healthy: bool
    antiscalant_ok: bool
    dosing_running: bool
    dosing_pulse: bool
    dosing_healthy: bool
    tank_not_overfull: bool
    tank_above_low: bool
    source_wet: bool
    floor_dry: bool
    sump_ok: bool
    header_ma: float
    feed_flow_ma: float
    feed_temp_ma: float
    feed_cond_ma: float
    chlorine_ma: float
    booster_speed_ma: float
    tank_level_ma: float
    product_cond_ma: float


class UnitOutputs(NamedTuple):
    """Output image of one unit, in the order of UNIT_SIGNALS."""

    feed_valve: bool
    flush_valve: bool
    pump: bool
    enable: bool
    divert: bool
    beacon: bool


class BankOutputs(NamedTuple):
    """Output image of what the units share, in the order of BANK_SIGNALS."""

    booster_run: bool
    dosing_run: bool
    alarm_relay: bool
    watchdog: bool
    horn: bool
    booster_speed_cmd_ma: float
    dosing_rate_cmd_ma: float


class Verb(StrEnum):
    """What a person, a panel or a supervisory system may ask for."""

    START = "start"
    STOP = "stop"
    MAINTAIN = "maintain"
    RETURN_TO_SERVICE = "return to service"
    RESET = "reset"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"


class Command(NamedTuple):
    """One request from a person.

    ``unit`` 0 addresses the whole bank. ``against`` names the state that the person saw; a command
    given against a state that has passed is refused. STOP needs none and is always taken.

    The verbs for alarms need no state either. ``alarm`` names the alarm by its id; ACKNOWLEDGE without a name
    means every alarm of the unit, or of what the units share. SHELVE needs ``by``, ``reason`` and ``hours``.
    """

    verb: Verb
    unit: int
    by: str
    against: str = ""
    reason: str = ""
    alarm: str = ""
    hours: float = 0.0


class Inputs(NamedTuple):
    """All that the firmware may know in one scan.

    ``unit_age_ms`` and ``bank_age_ms`` say how old each image is by the changing counter of its
    source, not by the state of a connection.
    """

    bank: BankInputs
    units: tuple[UnitInputs, ...]
    unit_age_ms: tuple[int, ...]
    bank_age_ms: int = 0
    commands: tuple[Command, ...] = ()


class Outputs(NamedTuple):
    """All that the firmware drives."""

    bank: BankOutputs
    units: tuple[UnitOutputs, ...]


SAFE_UNIT_OUTPUTS = UnitOutputs(False, False, False, False, False, False)
SAFE_BANK_OUTPUTS = BankOutputs(False, False, False, False, False, 4.0, 4.0)


def safe_outputs(n_units: int) -> Outputs:
    """Every output de-energised: what a driver must fall to when the program is gone."""
    return Outputs(SAFE_BANK_OUTPUTS, (SAFE_UNIT_OUTPUTS,) * n_units)


def names(table: tuple[Signal, ...], kind: Kind) -> tuple[str, ...]:
    """Names of the signals of one kind, in image order.

    >>> names(BANK_SIGNALS, Kind.AO)
    ('booster_speed_cmd_ma', 'dosing_rate_cmd_ma')
    """
    return tuple(signal.name for signal in table if signal.kind is kind)


def signal_named(table: tuple[Signal, ...], name: str) -> Signal:
    """The row of the I/O list with that name; KeyError when there is none."""
    for signal in table:
        if signal.name == name:
            return signal
    raise KeyError(name)


def to_ma(signal: Signal, value: float) -> float:
    """Loop current for a value in the signal's own unit: mA = 4 + 16 (value - lo) / (hi - lo)."""
    return 4.0 + 16.0 * (value - signal.lo) / (signal.hi - signal.lo)


def from_ma(signal: Signal, current_ma: float) -> float:
    """Value in the signal's own unit for a loop current; the inverse of ``to_ma``."""
    return signal.lo + (current_ma - 4.0) * (signal.hi - signal.lo) / 16.0
