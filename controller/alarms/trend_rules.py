"""Alarms of a unit on what goes wrong slowly: values far from those at hand-over, loops that stand still.

Values at hand-over are the ``as_left_`` setpoints; what is not entered is not judged.
"""

from __future__ import annotations

from controller.alarms.rules import AlarmRule, Frozen, Priority
from controller.unit.view import CONCENTRATE, MEMBRANE, PERMEATE, QUALITY, SUCTION

# Nothing is judged in a purge and its blanking. The on-delay is shorter than what the shortest purge interval
# leaves between two of them, the off-delay longer than the longest purge and blanking. Own choices.
_ON_S, _OFF_S = 45.0, 300.0
_ON_IF_NOTHING_EXPLAINS_S = 60.0


def _trend(
    name: str,
    tag: str,
    condition: str,
    text: str,
    action: str,
    by_alarm: tuple[str, ...] = (),
    on_delay_s: float = _ON_S,
) -> AlarmRule:
    """A row for a value far from the one at hand-over."""
    return AlarmRule(
        name,
        tag,
        condition,
        Priority.MEDIUM,
        text,
        action,
        on_delay=on_delay_s,
        off_delay_s=_OFF_S,
        by_alarm=by_alarm,
    )


TRENDS: tuple[AlarmRule, ...] = (
    _trend(
        "restrictor blocked",
        "FT-x04",
        "concentrate flow below 75 % of as-left, pressure up",
        "less concentrate at more pressure than at hand-over: scale forms sooner",
        "Stop the unit and clean the restrictor; check the concentrate hand valve.",
        ("membrane pressure too high", "discharge switch open"),
    ),
    _trend(
        "restrictor worn or flush valve leaks",
        "FT-x04, XV-x02",
        "concentrate flow above 125 % of as-left, pressure down",
        "more concentrate at less pressure than at hand-over: water is lost",
        "Feel at the drain whether the flush valve passes; clean or replace valve or restrictor.",
        ("flush valve did not close",),
    ),
    _trend(
        "recovery implausible",
        "FT-x03, FT-x04",
        "concentrate flow or recovery 25 % off as-left",
        "the flows do not fit those at hand-over, and the membrane pressure does not say why",
        "Check both flow meters by bucket and watch; compare the feed with hand-over.",
        (
            "restrictor blocked",
            "restrictor worn or flush valve leaks",
            "pump worn",
            "flow transmitter bad",
            "permeate flow does not move",
            "concentrate flow does not move",
            "flush valve did not close",
        ),
        _ON_IF_NOTHING_EXPLAINS_S,
    ),
    _trend(
        "pump worn",
        "PT-x02, PT-x01",
        "pump pressure below 70 % of as-left",
        "the pump gives less than 70 % of the pressure at hand-over",
        "Check direction of rotation and supply; have the pump overhauled.",
        ("restrictor worn or flush valve leaks", "flush valve did not close"),
    ),
    _trend(
        "prefilter takes too little",
        "PT-x01",
        "prefilter takes too little pressure",
        "less than 60 % of a new cartridge's pressure loss: dirt may reach the membranes",
        "Open the filter: cartridge collapsed, not seated or missing? Compare both pressure gauges.",
    ),
)

_SO_WHAT_FROZEN: tuple[tuple[int, Priority, str], ...] = (
    (SUCTION, Priority.HIGH, "low suction may not be seen; the switch still protects"),
    (MEMBRANE, Priority.HIGH, "high pressure may not be seen; the hard-wired switch still protects"),
    (QUALITY, Priority.HIGH, "poor water may not be seen"),
    (PERMEATE, Priority.MEDIUM, "recovery is not known"),
    (CONCENTRATE, Priority.MEDIUM, "the volume of a flush is not known"),
)


def frozen(loops: tuple[tuple[str, str], ...]) -> tuple[AlarmRule, ...]:
    """One row for every loop of a unit, by tag and name: it does not move when it must."""
    return tuple(
        AlarmRule(
            f"{loops[place][1]} does not move",
            loops[place][0],
            Frozen(place),
            priority,
            f"the value stood still through a pump start or a purge: {so_what}",
            "Look for a shut cock, a blocked line or a hung transmitter; compare with a local gauge.",
        )
        for place, priority, so_what in _SO_WHAT_FROZEN
    )
