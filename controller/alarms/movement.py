"""Does a loop move when the unit gives it reason to? One that does not is frozen (narrative 3.7).

A pump start and a purge move every pressure and flow of a unit. Highest and lowest current of each loop are
kept over them, at the pace of the alarms' samples. Nothing is concluded from a start or a purge that was cut
short, nor from a purge that no loop has seen: then it is the flush valve that did not move.
"""

from __future__ import annotations

from controller.alarms.memory import ScopeMemory, Stir
from controller.parts.timing import held_s
from controller.signals import UnitInputs
from controller.unit.memory import UnitMemory
from controller.unit.states import UnitState
from controller.unit.view import QUALITY

STILL_MA = 0.0005 * 16.0  # 0.05 % of span, narrative 3.7
START_S = 45.0  # own choice: by then the conductivity, too, has followed a pump start
FIRST_LOOP = UnitInputs._fields.index("suction_ma")


def watch(seen: ScopeMemory, m: UnitMemory, io: UnitInputs, now_ms: int) -> int:
    """Take one sample; bits of the loops that did not move in the last start or purge, by their place."""
    before, seen.stir = seen.stir, _stir(m, now_ms)
    now_ma = io[FIRST_LOOP:]
    if seen.stir is not before:
        _judge(seen, before, m, now_ms)
    if seen.stir is Stir.NONE or seen.stir is not before is not Stir.NONE:
        seen.lo_ma = seen.hi_ma = now_ma  # what comes is measured from the last sample before it
    else:
        seen.lo_ma = tuple(map(min, seen.lo_ma, now_ma))
        seen.hi_ma = tuple(map(max, seen.hi_ma, now_ma))
    return seen.frozen


def _stir(m: UnitMemory, now_ms: int) -> Stir:
    if m.state in (UnitState.PURGE, UnitState.QUALITY_FLUSH):
        return Stir.PURGE
    if m.state in (UnitState.PUMP_START, UnitState.PRODUCE):
        return Stir.START if 0.0 <= held_s(m.pump_ms, now_ms) < START_S else Stir.NONE
    return Stir.NONE


def _whole(stir: Stir, m: UnitMemory, now_ms: int) -> bool:
    """What has just ended came to its end, with water on the move all the time."""
    if m.state is not UnitState.PRODUCE:
        return False
    if stir is Stir.PURGE:
        return m.evidence
    return stir is Stir.START and held_s(m.pump_ms, now_ms) >= START_S


def _judge(seen: ScopeMemory, ended: Stir, m: UnitMemory, now_ms: int) -> None:
    if not _whole(ended, m, now_ms):
        return
    for place, loop in enumerate(m.loops):
        if place == QUALITY and ended is Stir.PURGE:
            continue  # better or worse water need not reach the cell before the purge is over
        bit = 1 << place
        still = loop.believed and seen.hi_ma[place] - seen.lo_ma[place] < STILL_MA
        seen.frozen = seen.frozen | bit if still else seen.frozen & ~bit
