"""From what moved to what it may mean, what to look at first and who may do it. Orders nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sim_plant.upkeep.triggers import LIMITS, Item, State

OPERATOR = "whoever runs the plant, with a hand meter and local gauges, nothing opened"
TRAINED = (
    "a trained person after lock-out, bleeding and a look at a local gauge, by the membrane maker's written "
    "procedure and the safety data sheets"
)
INSTRUMENTS = (
    "Compare each transmitter with a hand meter or a local gauge: an instrument that drifts looks exactly "
    "like a membrane that wears"
)
_FIRM = 0.5  # of its trigger: a value has moved when it is beyond that and its interval excludes no change


class Advice(NamedTuple):
    """One paragraph for one unit (0 is the bank)."""

    unit: int
    seen: str
    may_mean: str
    look_at: str
    who: str


_PATTERNS: tuple[tuple[dict[str, int], str, str], ...] = (
    (
        {"flow": -1, "salt": 1},
        "scale on the last elements, most of all when the pressure loss rises too; fouling with damage is "
        "another possibility",
        "antiscalant: stock, strokes, and the volume used against feed; recovery against the design; a water "
        "analysis of the concentrate; start flush and purge as set",
    ),
    (
        {"flow": -1, "loss": 1},
        "dirt or growth between the first elements, or scale",
        "prefilter (is it bypassing, are the cartridges seated); silt density of the feed; slime in the "
        "housings when they are next opened; antiscalant: stock, strokes, volume used against feed",
    ),
    (
        {"flow": -1},
        "a film on the membranes, or membranes pressed denser in their first weeks; a permeate pressure that "
        "rose would look the same where it is not logged",
        "permeate valves and back pressure; prefilter; feed water analysis",
    ),
    (
        {"flow": 1, "salt": 1},
        "membranes harmed by chlorine or another oxidant, or feed that leaks past a seal",
        "chlorine at the feed by hand; the well's last shock dosing; permeate conductivity of each vessel, "
        "one by one",
    ),
    (
        {"salt": 1},
        "a leaking seal or joint, early harm by an oxidant, or another ion mix in the feed",
        "conductivity cells of feed and permeate by hand; permeate conductivity of each vessel, one by one; "
        "a water analysis",
    ),
    (
        {"loss": 1},
        "dirt between the first elements that does not yet cost flow",
        "prefilter (is it bypassing); both gauges of the loss on one point; concentrate flow as set",
    ),
)

_OTHERS = {
    "prefilter": (
        "the cartridges are loaded",
        "the loss at the usual flow on a local gauge; spare cartridges",
        "a trained person, after lock-out and bleeding: the housing holds pressure after a stop",
    ),
    "prefilter_age": (
        "the cartridges have been in for as long as they should",
        "the date on the housing; spare cartridges",
        "a trained person, after lock-out and bleeding: the housing holds pressure after a stop",
    ),
    "proof": (
        "nobody has shown lately that the protections act",
        "E-stop, high-high float, leak, pressure switches, watchdog relay, each by its real process",
        "a competent person under the site's procedure; wiring only by a licensed electrician",
    ),
    "idle": (
        "still water on the membranes lets scale and growth begin",
        "whether the unit's idle flush ran; how long it will stand still",
        "whoever runs the plant flushes; a preservative is for " + TRAINED,
    ),
    "cell": (
        "the cell or its compensation is off, so every salt passage of this unit is",
        "both instruments in a standard solution; the compensation to 25 degC of both",
        "whoever may calibrate instruments; at the transmitter, not in its cabinet",
    ),
    "dose": (
        "the pump strokes without delivering, its stroke was changed, the tank was mixed otherwise, or it "
        "siphons into a line under suction; none of them need raise an alarm",
        "both readings again; the pump against a measuring cylinder; the check valve at the injection; the "
        "mix of the tank against the safety data sheet",
        "a trained person with the safety data sheet, gloves and goggles; the line is under pressure",
    ),
    "dose_age": (
        "it is not known whether the dose that is set is the dose that is given: no alarm can tell",
        "the level of the tank and the feed's totaliser, at the same moment",
        OPERATOR,
    ),
    "cell_age": (
        "it is not known whether the salt passage can be believed",
        "the loop against a hand meter, in the same water at the same moment",
        OPERATOR,
    ),
}


def moved(items: Sequence[Item]) -> dict[str, int]:
    """Which of the three values of a unit moved, and which way."""
    found = {}
    acts = {limit.key: limit.warn_pct for limit in LIMITS}
    for item in items:
        change = item.change
        if item.key in acts and change is not None and abs(change.value) >= _FIRM * acts[item.key]:
            firm = change.lo > 0.0 or change.hi < 0.0
            found[item.key] = (1 if change.value > 0.0 else -1) if firm else 0
    return found


def advise(items: Sequence[Item]) -> list[Advice]:
    """Paragraphs for all units and the bank; none where nothing was reached."""
    told = []
    for unit in sorted({item.unit for item in items}):
        of_unit = [item for item in items if item.unit == unit]
        told += _membranes(unit, of_unit)
        told += [
            Advice(unit, f"{item.what}: {item.now}, {item.state.value}", *_OTHERS[item.key])
            for item in of_unit
            if item.key in _OTHERS and item.state in (State.REACHED, State.WARN)
        ]
    return told


def _membranes(unit: int, items: Sequence[Item]) -> list[Advice]:
    three = [item for item in items if item.key in {limit.key for limit in LIMITS}]
    grave = [item for item in three if item.state in (State.REACHED, State.WARN)]
    signs = moved(items)
    if not grave and not (signs.get("flow") == 1 and signs.get("salt") == 1):
        return _undecided(unit, three)
    seen = "; ".join(
        f"{item.what} {item.change.value:+.1f} % ({item.change.lo:+.1f} to {item.change.hi:+.1f})"
        for item in three
        if item.change is not None and signs.get(item.key)
    )
    pattern = next(
        ((mean, look) for wanted, mean, look in _PATTERNS if wanted.items() <= signs.items()),
        ("nothing that this pattern is known for", "the log itself, around the days at which it began"),
    )
    may_mean = f"{pattern[0][0].upper()}{pattern[0][1:]}. The data alone do not decide between these"
    clean = any(item.state is State.REACHED and item.key == "flow" for item in three)
    who = f"The look: {OPERATOR}. "
    who += (
        "Cleaning is usual at this loss; deciding on it and doing it: " if clean else "Opening or cleaning: "
    )
    return [Advice(unit, seen, may_mean, f"{INSTRUMENTS}. Then: {pattern[1]}", who + TRAINED)]


def _undecided(unit: int, three: Sequence[Item]) -> list[Advice]:
    open_ = [item for item in three if item.state is State.OPEN]
    if not open_:
        return []
    seen = "; ".join(
        f"{item.what} {item.change.value:+.1f} % ({item.why or 'the interval holds the trigger'})"
        for item in open_
        if item.change is not None
    )
    return [
        Advice(
            unit,
            seen,
            "Nothing can be said yet",
            f"{INSTRUMENTS}. More days, at a steady duty, in the season of the baseline",
            OPERATOR,
        )
    ]
