"""A driver without a line: the field is a healthy one that answers at once.

For tests and for trying the program out. It is no simulated plant: valves and motors act in no time, and
pressures and flows are one of a few fixed values of the invented demo unit, by what is open.
"""

from __future__ import annotations

from controller.signals import (
    BANK_SIGNALS,
    UNIT_SIGNALS,
    BankInputs,
    BankOutputs,
    Command,
    Inputs,
    Kind,
    Outputs,
    Signal,
    UnitInputs,
    UnitOutputs,
    from_ma,
    names,
    safe_outputs,
    signal_named,
    to_ma,
)

_FULL_SPEED_HZ, _FULL_HEADER_BAR = 40.0, 3.0  # the booster's speed at header setpoint


class MemoryDriver:
    """Keeps the last output image and answers with what a healthy field would show.

    ``bank`` and ``units`` hold signals at a value (a contact's bool, a loop's milliampere) in place of
    the field's answer; ``commands`` are given with the next image.
    """

    def __init__(self, n_units: int) -> None:
        self.outputs = safe_outputs(n_units)
        self.bank: dict[str, bool | float] = {}
        self.units: list[dict[str, bool | float]] = [{} for _ in range(n_units)]
        self.commands: list[Command] = []
        self.closed = False
        self._scans = 0

    def read(self) -> Inputs:
        """Images of age zero."""
        self._scans += 1
        commands, self.commands = tuple(self.commands), []
        header_bar = _header_bar(self.outputs.bank)
        return Inputs(
            bank=self._bank_inputs(header_bar),
            units=tuple(
                _unit_inputs(driven, header_bar)._replace(**held)  # type: ignore[arg-type]  # names and kinds are those of the I/O list
                for driven, held in zip(self.outputs.units, self.units, strict=True)
            ),
            unit_age_ms=(0,) * len(self.units),
            commands=commands,
        )

    def write(self, outputs: Outputs) -> None:
        """The field follows at once."""
        self.outputs = outputs

    def status(self) -> str:
        """There is no line."""
        return ""

    def close(self) -> None:
        """Nothing to let go of; remembered for tests."""
        self.closed = True

    def _bank_inputs(self, header_bar: float) -> BankInputs:
        driven = self.outputs.bank
        draw_m3h = sum(_feed_m3h(unit) for unit in self.outputs.units)
        contacts = dict.fromkeys(names(BANK_SIGNALS, Kind.DI), True) | {
            "reset_button": False,
            "booster_running": driven.booster_run,
            "dosing_running": driven.dosing_run,
            "dosing_pulse": driven.dosing_run and self._scans % 10 < 5,
        }
        loops = {
            "header_ma": _ma(BANK_SIGNALS, "header_ma", header_bar),
            "feed_flow_ma": _ma(BANK_SIGNALS, "feed_flow_ma", draw_m3h),
            "feed_temp_ma": _ma(BANK_SIGNALS, "feed_temp_ma", 24.0),
            "feed_cond_ma": _ma(BANK_SIGNALS, "feed_cond_ma", 5.0),
            "chlorine_ma": _ma(BANK_SIGNALS, "chlorine_ma", 0.0),
            "booster_speed_ma": driven.booster_speed_cmd_ma if driven.booster_run else 4.0,
            "tank_level_ma": _ma(BANK_SIGNALS, "tank_level_ma", 20.0),
            "product_cond_ma": _ma(BANK_SIGNALS, "product_cond_ma", 200.0),
        }
        image = BankInputs(**contacts, **loops)  # type: ignore[arg-type]  # names and kinds are those of the I/O list
        return image._replace(**self.bank)  # type: ignore[arg-type]  # names and kinds are those of the I/O list


def _ma(table: tuple[Signal, ...], name: str, value: float) -> float:
    return to_ma(signal_named(table, name), value)


def _header_bar(driven: BankOutputs) -> float:
    if not driven.booster_run:
        return 0.0
    speed_hz = from_ma(signal_named(BANK_SIGNALS, "booster_speed_cmd_ma"), driven.booster_speed_cmd_ma)
    return _FULL_HEADER_BAR * (speed_hz / _FULL_SPEED_HZ) ** 2


def _feed_m3h(driven: UnitOutputs) -> float:
    if not driven.feed_valve:
        return 0.0
    if not driven.pump:
        return 2.5
    return 3.4 if driven.flush_valve else 2.33


def _unit_inputs(driven: UnitOutputs, header_bar: float) -> UnitInputs:
    pump = driven.pump and driven.enable
    suction_bar = max(header_bar - 0.2, 0.0) if driven.feed_valve else 0.0
    if pump and driven.feed_valve:
        membrane_bar, permeate_m3h, concentrate_m3h = (
            (5.5, 0.35, 3.0) if driven.flush_valve else (12.5, 1.4, 0.93)
        )
    else:
        through_m3h = 2.5 if driven.flush_valve else 0.5
        membrane_bar, permeate_m3h = suction_bar, 0.0
        concentrate_m3h = through_m3h if suction_bar > 0.5 else 0.0
    contacts = dict.fromkeys(names(UNIT_SIGNALS, Kind.DI), True) | {
        "pump_running": pump,
        "enable_closed": driven.enable,
        "feed_valve_shut": not driven.feed_valve,
        "flush_valve_shut": not driven.flush_valve,
        "suction_ok": suction_bar > 0.5,
    }
    loops = {
        "suction_ma": _ma(UNIT_SIGNALS, "suction_ma", suction_bar),
        "membrane_ma": _ma(UNIT_SIGNALS, "membrane_ma", membrane_bar),
        "permeate_cond_ma": _ma(UNIT_SIGNALS, "permeate_cond_ma", 200.0),
        "permeate_flow_ma": _ma(UNIT_SIGNALS, "permeate_flow_ma", permeate_m3h),
        "concentrate_flow_ma": _ma(UNIT_SIGNALS, "concentrate_flow_ma", concentrate_m3h),
    }
    return UnitInputs(**contacts, **loops)  # type: ignore[arg-type]  # names and kinds are those of the I/O list
