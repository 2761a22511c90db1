"""The bank in one scan: shared inputs as quantities, the units' requests, memory and setpoints."""

from __future__ import annotations

from dataclasses import dataclass

from controller.bank.memory import BankMemory
from controller.parts.timing import held_s
from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, BankInputs, from_ma, signal_named
from controller.unit.permits import Request

LOOP_NAMES = (
    "header_ma",
    "feed_flow_ma",
    "feed_temp_ma",
    "feed_cond_ma",
    "chlorine_ma",
    "booster_speed_ma",
    "tank_level_ma",
    "product_cond_ma",
)
HEADER, FEED_FLOW, FEED_TEMP, FEED_COND, CHLORINE, SPEED, LEVEL, PRODUCT = range(len(LOOP_NAMES))
_FIRST_LOOP = BankInputs._fields.index(LOOP_NAMES[0])
_SIGNALS = tuple(signal_named(BANK_SIGNALS, name) for name in LOOP_NAMES)


@dataclass(slots=True)
class BankView:
    """Everything that the coordinator may look at."""

    s: Setpoints
    m: BankMemory
    io: BankInputs
    stale: bool
    requests: tuple[Request, ...]
    slots: int
    now_ms: int
    values: tuple[float | None, ...]  # in the order of LOOP_NAMES; None: not to be believed

    def held_s(self, since_ms: int) -> float:
        """Seconds since a moment, -1.0 when it is NEVER."""
        return held_s(since_ms, self.now_ms)

    def bad_s(self, loop: int) -> float:
        """For how long a loop has been BAD; -1.0 when it is not."""
        return held_s(self.m.loops[loop].bad_ms, self.now_ms)

    def good(self, loop: int) -> bool:
        """The loop is to be believed."""
        return self.m.loops[loop].believed


def look(
    s: Setpoints,
    m: BankMemory,
    io: BankInputs,
    stale: bool,
    requests: tuple[Request, ...],
    slots: int,
    now_ms: int,
) -> BankView:
    """Judge the shared loops and build the view of this scan; updates the loops' memory."""
    values = tuple(
        from_ma(signal, current_ma) if loop.judge(current_ma, now_ms) else None
        for signal, loop, current_ma in zip(_SIGNALS, m.loops, io[_FIRST_LOOP:], strict=True)
    )
    return BankView(s, m, io, stale, requests, slots, now_ms, values)
