"""The bank's own timers in ticks, beside those of a unit and in the same manner (``scale``).

Inside ``pair_in_ticks`` the bank's races stand beside a unit's, so that the ticks of both keep the order of
all timers that run from the same moment. Not scaled, because an exploration of two units chooses them freely
in every scan (``pair_bank.Chosen``): the timers of the pre-start, the time between two changes of demand, the
lease of a slot, how long a header must be steady, and the on-delays of the shared causes.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from controller.settings import Setpoints
from sim_plant.bench.explore import scale
from sim_plant.bench.explore.scale import scaled, scaled_constants, ticks

BANK_CONSTANTS = {"NO_DRAW_S": "controller.bank.supply"}
"""Times of the bank's logic that are no setpoints, and where they stand."""

BANK_RACES: dict[str, tuple[str, ...]] = {
    "a pump started": ("enable_lead_s", "stagger_s", "pressure_rise_s"),
    "a feed valve shut": ("feed_close_gap_s", "flush_tail_s", "NO_DRAW_S", "FEED_LEAK_S"),
    "power came": ("boot_s", "io_back_s", "resume_s"),
    "the unit before may move": ("resume_step_s",),
}
"""Timers of the bank with those of a unit that run from the same moment."""

BANK_LEAST = {"token_wait_s": 5}
"""A stopping unit coasts, waits for its turn to close and shuts its flush valve, all within its wait."""

_BANK_REAL_S = {"NO_DRAW_S": 2.0}


class OneSlot(Setpoints):
    """Two units share one flush slot, as many units of a bank do."""

    def flush_slots(self, n_units: int) -> int:  # noqa: ARG002  # as the setpoints' own, for any bank
        """One."""
        return 1


class TwoSlots(Setpoints):
    """Each of two units may flush: only so can they come to their pump starts together."""

    def flush_slots(self, n_units: int) -> int:  # noqa: ARG002  # likewise
        """Two."""
        return 2


WITH_SLOTS: dict[int, type[OneSlot | TwoSlots]] = {1: OneSlot, 2: TwoSlots}


def scaled_pair(site: Setpoints, slots: int) -> OneSlot | TwoSlots:
    """The site's setpoints in ticks, for two units on one flush slot or on two.

    The least run and the least rest by demand are none: demand may change its mind or not in any scan.
    """
    s = scaled(site)
    none = {"min_run_min": 0.0, "min_rest_min": 0.0}
    zero = {name: 0.0 for name in ("resume_s", "resume_step_s") if getattr(site, name) == 0}
    return WITH_SLOTS[slots].model_construct(**(s.model_dump() | none | zero))


def real_bank_s(name: str, site: Setpoints) -> float:
    """A timer of the bank in seconds, scaled or not at the moment."""
    return _BANK_REAL_S[name] if name in _BANK_REAL_S else scale.real_s(name, site)


@contextmanager
def pair_in_ticks(site: Setpoints) -> Iterator[None]:
    """The constants of unit and bank in ticks, with the bank's races among all others."""
    scale.RACES.update(BANK_RACES)
    scale.LEAST.update(BANK_LEAST)
    scale.CONSTANTS.update(BANK_CONSTANTS)
    scale._REAL_S.update(_BANK_REAL_S)
    try:
        if "stagger_s" not in ticks(site):
            raise RuntimeError("the bank's races do not count")
        with scaled_constants(site):
            yield
    finally:
        for race in BANK_RACES:
            del scale.RACES[race]
        for name in BANK_LEAST:
            del scale.LEAST[name]
        for name in BANK_CONSTANTS:
            del scale.CONSTANTS[name]
            del scale._REAL_S[name]
