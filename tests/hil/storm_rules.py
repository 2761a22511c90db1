"""What must hold at the field in every scan of the plant, however the line between them behaves.

The monitors of the bench judge the whole record afterwards with a timing uncertainty; these rules are exact
and need none, or say what they allow:

    SR-01  pump and feed valve lie in one register: the pump is never on without the feed valve
    SR-33  E-stop open: everything at rest within LAG_MS, and until a reset after it was closed
    SR-28  high-high float open: pumps off within LAG_MS, and until a reset after it was closed
    SR-43  the program has ended: everything at rest within LAG_MS, until it runs again
    SR-45  a device that is cut off: its outputs at rest within LAG_MS, until it can be reached again
    SR-46  an image that the firmware takes for fresh is one that this very device showed at that time
    SR-47  the bank's image lost for 5 s: pumps off within LAG_MS, until there is a fresh one

E-stop and float count from the first image with the open contact that the firmware has taken: what no image
carried it cannot answer, and the wired chain acts alone. ``Contact`` counts these. How long an open contact
can stay unseen is bounded by the others: a fresh image without it breaks SR-46, none for 5 s stops the pumps.

LAG_MS: the device holds its outputs for 2 s after the last write (narrative 2.3); one exchange (100 ms), one
request that is under way (200 ms) and one scan of the firmware may come before that, and 100 ms are the
harness's own. What the harness itself was late is added.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from controller.signals import Inputs, Outputs

LAG_MS = 2_000 + 100 + 200 + 100 + 100
FRESH_MS = 2_000  # an image that is older counts as lost (narrative 2.3)
STALE_MS, HEARTBEAT_LOST_MS = 1_000, 4_000  # so old, and then so for so long: lost for 5 s (SR-47)
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
    rule: str


@dataclass
class Contact:
    """A contact of the bank that latches."""

    closed: bool = True
    opened: int = 0  # so often
    carried: int = 0  # so often an image with it open was taken
    due_ms: int | None = None  # the firmware must answer since; stays after it closes, until a reset
    _unseen: list[tuple[int, int]] = field(default_factory=list)
    _since_ms: int | None = None  # such a stretch goes on
    _awaited: bool = False

    @property
    def uncarried(self) -> int:
        """How often it opened and closed, and no image told."""
        return self.opened - self.carried

    def unseen(self, now_ms: int) -> list[tuple[int, int]]:
        """From, to: it was open, and no image had carried that yet."""
        going_on = [] if self._since_ms is None else [(self._since_ms, now_ms + 1)]
        return self._unseen + going_on

    def look(self, closed: bool, at_ms: int) -> None:
        """As it is in the field."""
        if self.closed and not closed:
            self.opened, self._since_ms, self._awaited = self.opened + 1, at_ms, True
        if closed:
            self._end(at_ms)
        self.closed = closed

    def taken_open(self, at_ms: int) -> None:
        """The firmware has an image with it open; perhaps it is closed again by now."""
        if self._awaited:
            self.carried, self._awaited = self.carried + 1, False
            self.due_ms = at_ms if self.due_ms is None else self.due_ms
        self._end(at_ms)

    def _end(self, at_ms: int) -> None:
        if self._since_ms is not None:
            self._unseen.append((self._since_ms, at_ms))
            self._since_ms = None

    def reset(self) -> None:
        """The reset button is pressed."""
        if self.closed:
            self.due_ms = None


class FieldRules:
    """Told what happens, keeps the violations: one for each rule and unit until ``new_chapter``."""

    def __init__(self, n_units: int) -> None:
        self.found: list[Violation] = []
        self.images_checked = 0
        self.cut_checked: int = 0  # scans in which a device had to be at rest
        self.held: dict[int, int] = {}  # units whose module keeps its outputs by a fault, since when
        self.were_held: list[tuple[int, int, int]] = []  # unit, from, to
        self.estop, self.float = Contact(), Contact()
        self._told: set[tuple[str, int]] = set()
        self._cut: dict[str, CutOff] = {}
        self._history: list[deque[tuple[int, Key]]] = [deque(maxlen=_KEPT) for _ in range(n_units + 1)]
        self._stale_ms: int | None = None  # since when the firmware has had no fresh image of the bank
        self._late_ms = 0

    def new_chapter(self) -> None:
        """What was told may be told again."""
        self._told.clear()

    def _tell(self, t_ms: int, rule: str, unit: int, text: str) -> None:
        if (rule, unit) not in self._told:
            self._told.add((rule, unit))
            self.found.append(Violation(t_ms, rule, unit, text))

    # --- what is done to the line -------------------------------------------------------------------------

    def cut_off(self, name: str, units: Iterable[int], at_ms: int, rule: str = "SR-45") -> None:
        """From now on these units (0 the bank) cannot be driven."""
        for unit in units:
            self._cut[f"{name}/{unit}"] = CutOff(unit, at_ms, name, rule)

    def reachable(self, name: str) -> None:
        """That is over."""
        for key in [key for key in self._cut if key.startswith(f"{name}/")]:
            del self._cut[key]

    def hold(self, unit: int, at_ms: int) -> None:
        """From now on the module keeps its outputs, whatever anybody does."""
        self.held[unit] = at_ms

    def let_go(self, unit: int, at_ms: int) -> None:
        """That is over."""
        if unit in self.held:
            self.were_held.append((unit, self.held.pop(unit), at_ms))

    def reset_given(self) -> None:
        """The reset button is pressed; frees what has been closed."""
        self.estop.reset()
        self.float.reset()

    # --- the field ----------------------------------------------------------------------------------------

    def look(self, at_ms: int, passed_ms: int, inputs: Inputs, outputs: Outputs) -> None:
        """One scan of the plant."""
        self._late_ms = max(passed_ms - 100, self._late_ms * 9 // 10)
        for number, unit in enumerate(outputs.units, 1):
            if unit.pump and not unit.feed_valve:
                self._tell(at_ms, "SR-01", number, "pump on, feed valve off")
        self.estop.look(inputs.bank.estop_healthy, at_ms)
        self.float.look(inputs.bank.tank_not_overfull, at_ms)
        self._all_at_rest(at_ms, outputs)
        for cut in self._cut.values():
            self._cut_at_rest(at_ms, cut, outputs)

    def _all_at_rest(self, at_ms: int, outputs: Outputs) -> None:
        def due(since_ms: int | None, after_ms: int = 0) -> bool:
            return since_ms is not None and at_ms - since_ms > after_ms + LAG_MS + self._late_ms

        for number, unit in enumerate(outputs.units, 1):
            if number in self.held:
                continue
            for name in UNIT_OUTPUTS if due(self.estop.due_ms) else ():
                if getattr(unit, name):
                    self._tell(at_ms, "SR-33", number, f"{name} on with E-stop open or not reset")
            if due(self.float.due_ms) and unit.pump:
                self._tell(at_ms, "SR-28", number, "pump on with the float open or not reset")
            if due(self._stale_ms, HEARTBEAT_LOST_MS) and unit.pump:
                self._tell(at_ms, "SR-47", number, "pump on with the bank's image lost for 5 s")

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
            self._tell(at_ms, cut.rule, cut.unit, text)

    # --- images -------------------------------------------------------------------------------------------

    def shown(self, inputs: Inputs, at_ms: int) -> None:
        """The devices show this from now on."""
        for history, key in zip(self._history, _keys(inputs), strict=True):
            history.append((at_ms, key))

    def taken(self, inputs: Inputs, at_ms: int) -> None:
        """The firmware had this image."""
        ages, keys = (inputs.bank_age_ms, *inputs.unit_age_ms), _keys(inputs)
        self._look_at_bank(inputs, keys[0], at_ms)
        for unit, (age_ms, key) in enumerate(zip(ages, keys, strict=True)):
            if age_ms >= FRESH_MS:
                continue
            self.images_checked += 1
            since_ms = at_ms - age_ms - SLACK_MS - self._late_ms
            if not any(t_ms >= since_ms and was == key for t_ms, was in reversed(self._history[unit])):
                elsewhere = [u for u, kept in enumerate(self._history) if any(was == key for _, was in kept)]
                text = f"an image {age_ms} ms old that it did not show; it is one of {elsewhere or 'nobody'}"
                self._tell(at_ms, "SR-46", unit, text)

    def _look_at_bank(self, inputs: Inputs, key: Key, at_ms: int) -> None:
        if inputs.bank_age_ms <= STALE_MS:
            self._stale_ms = None
        elif self._stale_ms is None:
            self._stale_ms = at_ms
        opened = (not inputs.bank.estop_healthy, not inputs.bank.tank_not_overfull)
        if not any(opened) or not any(was == key for _, was in self._history[0]):
            return  # before the first image all contacts are open: the device has not shown that
        for contact, is_open in zip((self.estop, self.float), opened, strict=True):
            if is_open:
                contact.taken_open(at_ms)


def _keys(inputs: Inputs) -> list[Key]:
    """Bank, then units: contacts as they are, loops in whole microampere as registers hold them."""
    images: tuple[tuple[bool | float, ...], ...] = (inputs.bank, *inputs.units)
    return [tuple(v if isinstance(v, bool) else round(1000.0 * v) for v in image) for image in images]
