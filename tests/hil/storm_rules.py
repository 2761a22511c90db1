"""What must hold at the field in every scan of the plant, however the line between them behaves.

The monitors of the bench judge the whole record afterwards with a timing uncertainty; these rules are exact
and need none, or say what they allow:

    SR-01  pump and feed valve lie in one register: the pump is never on without the feed valve
    SR-33  E-stop open: everything at rest within LAG_MS, and until a reset after it was closed
    SR-28  high-high float open: pumps off within LAG_MS, and until a reset after it was closed
    SR-45  a device that is cut off: its outputs at rest within LAG_MS, until it can be reached again
    SR-46  an image that the firmware takes for fresh is one that this very device showed at that time

LAG_MS: the device holds its outputs for 2 s after the last write (narrative 2.3); one exchange (100 ms), one
request that is under way (200 ms) and one scan of the firmware may come before that, and 100 ms are the
harness's own. What the harness itself was late is added.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from controller.signals import Inputs, Outputs

LAG_MS = 2_000 + 100 + 200 + 100 + 100
FRESH_MS = 2_000  # an image that is older counts as lost (narrative 2.3)
SLACK_MS = 1_350  # two looks of the driver at the counter of life, and what the harness may be late
_KEPT = 60  # images of a device
UNIT_OUTPUTS = ("feed_valve", "flush_valve", "pump", "enable")

Key = tuple[bool | int, ...]


class Violation(NamedTuple):
    """What was seen; ``unit`` 0 is the bank."""

    t_ms: int
    rule: str
    unit: int
    text: str


class CutOff(NamedTuple):
    """A device that cannot be written to, or not with anything but rest."""

    unit: int
    since_ms: int
    what: str


class FieldRules:
    """Told what happens, keeps the violations: one for each rule and unit until ``new_chapter``."""

    def __init__(self, n_units: int) -> None:
        self.found: list[Violation] = []
        self.images_checked = 0
        self.cut_checked: int = 0  # scans in which a device had to be at rest
        self.held: set[int] = set()  # units whose module keeps its outputs by a fault
        self._told: set[tuple[str, int]] = set()
        self._cut: dict[str, CutOff] = {}
        self._history: list[deque[tuple[int, Key]]] = [deque(maxlen=_KEPT) for _ in range(n_units + 1)]
        self._estop_ms: int | None = None  # since when it has been open; stays after it closes, until a reset
        self._float_ms: int | None = None
        self._closed = {"estop": True, "float": True}
        self._late_ms = 0

    def new_chapter(self) -> None:
        """What was told may be told again."""
        self._told.clear()

    def _tell(self, t_ms: int, rule: str, unit: int, text: str) -> None:
        if (rule, unit) not in self._told:
            self._told.add((rule, unit))
            self.found.append(Violation(t_ms, rule, unit, text))

    # --- what is done to the line -------------------------------------------------------------------------

    def cut_off(self, name: str, units: tuple[int, ...], at_ms: int) -> None:
        """From now on these units (0 the bank) cannot be driven."""
        for unit in units:
            self._cut[f"{name}/{unit}"] = CutOff(unit, at_ms, name)

    def reachable(self, name: str) -> None:
        """That is over."""
        for key in [key for key in self._cut if key.startswith(f"{name}/")]:
            del self._cut[key]

    def reset_given(self, _at_ms: int) -> None:
        """The reset button is pressed; frees what has been closed."""
        if self._closed["estop"]:
            self._estop_ms = None
        if self._closed["float"]:
            self._float_ms = None

    # --- the field ----------------------------------------------------------------------------------------

    def look(self, at_ms: int, passed_ms: int, inputs: Inputs, outputs: Outputs) -> None:
        """One scan of the plant."""
        self._late_ms = max(passed_ms - 100, self._late_ms * 9 // 10)
        for number, unit in enumerate(outputs.units, 1):
            if unit.pump and not unit.feed_valve:
                self._tell(at_ms, "SR-01", number, "pump on, feed valve off")
        self._latch(at_ms, inputs)
        self._all_at_rest(at_ms, outputs)
        for cut in self._cut.values():
            self._cut_at_rest(at_ms, cut, outputs)

    def _latch(self, at_ms: int, inputs: Inputs) -> None:
        self._closed = {"estop": inputs.bank.estop_healthy, "float": inputs.bank.tank_not_overfull}
        if not self._closed["estop"] and self._estop_ms is None:
            self._estop_ms = at_ms
        if not self._closed["float"] and self._float_ms is None:
            self._float_ms = at_ms

    def _all_at_rest(self, at_ms: int, outputs: Outputs) -> None:
        lag_ms = LAG_MS + self._late_ms
        for number, unit in enumerate(outputs.units, 1):
            if number in self.held:
                continue
            if self._estop_ms is not None and at_ms - self._estop_ms > lag_ms:
                for name in UNIT_OUTPUTS:
                    if getattr(unit, name):
                        self._tell(at_ms, "SR-33", number, f"{name} on with E-stop open or not reset")
            if self._float_ms is not None and at_ms - self._float_ms > lag_ms and unit.pump:
                self._tell(at_ms, "SR-28", number, "pump on with the float open or not reset")

    def _cut_at_rest(self, at_ms: int, cut: CutOff, outputs: Outputs) -> None:
        if at_ms - cut.since_ms <= LAG_MS + self._late_ms or cut.unit in self.held:
            return
        self.cut_checked += 1
        if cut.unit == 0:
            driven = [name for name in ("booster_run", "dosing_run") if getattr(outputs.bank, name)]
        else:
            unit = outputs.units[cut.unit - 1]
            driven = [name for name in UNIT_OUTPUTS if getattr(unit, name)]
        if driven:
            text = f"{', '.join(driven)} on {(at_ms - cut.since_ms) / 1000:.1f} s after {cut.what}"
            self._tell(at_ms, "SR-45", cut.unit, text)

    # --- images -------------------------------------------------------------------------------------------

    def shown(self, inputs: Inputs, at_ms: int) -> None:
        """The devices show this from now on."""
        for history, key in zip(self._history, _keys(inputs), strict=True):
            history.append((at_ms, key))

    def taken(self, inputs: Inputs, at_ms: int) -> None:
        """The firmware had this image."""
        ages = (inputs.bank_age_ms, *inputs.unit_age_ms)
        for unit, (age_ms, key) in enumerate(zip(ages, _keys(inputs), strict=True)):
            if age_ms >= FRESH_MS:
                continue
            self.images_checked += 1
            since_ms = at_ms - age_ms - SLACK_MS - self._late_ms
            if not any(t_ms >= since_ms and was == key for t_ms, was in reversed(self._history[unit])):
                elsewhere = [u for u, kept in enumerate(self._history) if any(was == key for _, was in kept)]
                text = f"an image {age_ms} ms old that it did not show; it is one of {elsewhere or 'nobody'}"
                self._tell(at_ms, "SR-46", unit, text)


def _keys(inputs: Inputs) -> list[Key]:
    """Bank, then units: contacts as they are, loops in whole microampere as registers hold them."""
    images: tuple[tuple[bool | float, ...], ...] = (inputs.bank, *inputs.units)
    return [tuple(v if isinstance(v, bool) else round(1000.0 * v) for v in image) for image in images]
