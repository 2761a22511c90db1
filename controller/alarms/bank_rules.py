"""The alarms of what the units share."""

from __future__ import annotations

from controller.alarms.rules import AlarmRule, LoopFault, Priority, trip, uncertain
from controller.bank.view import CHLORINE, FEED_COND, FEED_FLOW, FEED_TEMP, HEADER, LEVEL, PRODUCT, SPEED
from controller.parts.analogue import Quality
from controller.unit.states import Event

CRITICAL, HIGH, MEDIUM, _LOG = Priority

_TRIPS: tuple[AlarmRule, ...] = (
    trip(
        Event.ESTOP,
        "emergency stop",
        "ESR-001",
        CRITICAL,
        "the E-stop chain is open, or a unit still waits for the reset after it",
        "Make sure that nobody is in danger; release the button, then reset. Nothing starts by the release.",
    ),
    trip(
        Event.FLOOR_LEAK,
        "floor leak",
        "LSH-061",
        CRITICAL,
        "water on the floor of the room",
        "Keep away from live parts in the water; find the leak, dry the detector, then reset.",
    ),
    trip(
        Event.TANK_HIGH_HIGH,
        "tank overfull",
        "LSHH-041",
        CRITICAL,
        "the high-high float has stopped every pump by wire",
        "Compare the level transmitter with a dip stick before a reset.",
    ),
    trip(
        Event.OXIDANT,
        "oxidant in the feed",
        "AT-013",
        CRITICAL,
        "free chlorine above the limit, or its loop BAD for too long; it ruins membranes",
        "Take a hand sample; find out who dosed chlorine into the source.",
    ),
    trip(
        Event.SUMP_HIGH,
        "drain sump high",
        "LSH-062",
        HIGH,
        "the drain cannot take more",
        "Clear the drain or the sump pump.",
    ),
    trip(
        Event.FEED_HOT,
        "feed too hot",
        "TT-011",
        HIGH,
        "feed hotter than the membranes bear",
        "Find out where the warm water comes from; let the line cool.",
    ),
    trip(
        Event.BOOSTER_FAULT,
        "booster fault",
        "YA-021",
        HIGH,
        "drive fault, source dry, phase lost, no answer, or the header did not come up",
        "Read the drive's own fault; look at the borehole level and the supply.",
        by_alarm=("emergency stop",),
    ),
    trip(
        Event.DOSING_LOST,
        "dosing not proven",
        "FS-032",
        HIGH,
        "no stroke of the dosing pump while feed flows, or none before a start",
        "Bleed the dosing pump; check suction lance and tank.",
        by_alarm=("emergency stop",),
    ),
    trip(
        Event.ANTISCALANT_LOW,
        "antiscalant spent",
        "LSL-031",
        HIGH,
        "the tank has been low for longer than the grace; the units have stopped",
        "Fill the tank, then reset. Gloves and eye protection.",
    ),
)

_OTHERS: tuple[AlarmRule, ...] = (
    AlarmRule(
        "feed header lost",
        "PT-010",
        Event.HEADER_LOST,
        HIGH,
        "units draw and the header has no pressure",
        "Look at booster, source and the main hand valve.",
        stops=True,
        by_alarm=("booster fault", "emergency stop"),
    ),
    AlarmRule(
        "shared I/O lost",
        "",
        Event.COORDINATOR_LOST,
        HIGH,
        "no fresh values of what the units share; the tank level is not known",
        "Check supply and cable of the shared I/O.",
        stops=True,
    ),
    AlarmRule(
        "antiscalant tank low",
        "LSL-031",
        "antiscalant tank contact open",
        HIGH,
        "running units go on for the grace, none starts",
        "Fill the tank. Gloves and eye protection.",
        on_delay=2.0,
        off_delay_s=2.0,
        by_alarm=("antiscalant spent",),
    ),
    AlarmRule(
        "dosing pump fault",
        "YA-033",
        "dosing pump not healthy",
        HIGH,
        "the dosing pump reports a fault",
        "Read the pump's own display.",
        on_delay=1.0,
        by_alarm=("dosing not proven",),
    ),
    AlarmRule(
        "dosing stroke missing",
        "FS-032",
        "no dosing stroke for half of its grace",
        HIGH,
        "feed flows without a stroke; the units stop when the grace is over",
        "Bleed the dosing pump; check suction lance and tank.",
        by_alarm=("dosing not proven", "dosing pump fault"),
    ),
    AlarmRule(
        "antiscalant siphons",
        "FS-032",
        "dosing strokes while no dose is asked for",
        MEDIUM,
        "antiscalant runs into the header although the dosing pump is not asked to dose",
        "Shut the dosing hand valve while the bank stands; check the injection valve and the tank's height.",
    ),
    AlarmRule(
        "product too saline",
        "AT-045",
        "blended product too poor",
        HIGH,
        "what all units deliver together is too saline",
        "Compare the units' conductivities; the worst unit is rested. Take a hand sample.",
        on_delay="product_tds_min",
        off_delay_s=60.0,
        by_alarm=("product conductivity bad",),
    ),
    AlarmRule(
        "feed warm",
        "TT-011",
        "feed temperature above the alarm limit",
        MEDIUM,
        "feed temperature on its way to the trip",
        "Find out where the warm water comes from.",
        on_delay=10.0,
        off_delay_s=10.0,
        by_alarm=("feed too hot",),
    ),
    AlarmRule(
        "oxidant trace",
        "AT-013",
        "free chlorine above the alarm limit",
        HIGH,
        "free chlorine on its way to the trip",
        "Take a hand sample.",
        on_delay=5.0,
        off_delay_s=10.0,
        by_alarm=("oxidant in the feed",),
    ),
    AlarmRule(
        "product tank low",
        "LSL-042",
        "low float open",
        MEDIUM,
        "the product tank runs empty",
        "See why fewer units run than are called; save water.",
        on_delay=10.0,
        off_delay_s=10.0,
    ),
    AlarmRule(
        "reset button jammed",
        "HS-003",
        "reset button held down",
        MEDIUM,
        "the button is held down; it resets nothing",
        "Free or replace the button.",
    ),
)

BANK_LOOPS: tuple[tuple[str, str], ...] = (
    ("PT-010", "header pressure"),
    ("FT-010", "feed flow"),
    ("TT-011", "feed temperature"),
    ("AT-012", "feed conductivity"),
    ("AT-013", "free chlorine"),
    ("ST-020", "booster speed"),
    ("LT-040", "tank level"),
    ("AT-045", "product conductivity"),
)
"""Loops of the bank by tag and name, in the order of its memory."""

_IF_BAD: tuple[tuple[int, Priority, str], ...] = (
    (HEADER, HIGH, "the booster keeps its speed, then all calls are withdrawn"),
    (FEED_FLOW, MEDIUM, "dosing follows the number of units that draw"),
    (FEED_TEMP, HIGH, "no start; all calls are withdrawn when it stays so"),
    (FEED_COND, MEDIUM, "nothing stops for it"),
    (CHLORINE, HIGH, "taken for chlorine when it stays so"),
    (SPEED, MEDIUM, "nothing stops for it"),
    (LEVEL, HIGH, "no start; running units stop when it stays so"),
    (PRODUCT, MEDIUM, "poor blended water would not be seen"),
)


def _bad() -> tuple[AlarmRule, ...]:
    """One row for every loop that may be BAD."""
    return tuple(
        AlarmRule(
            f"{BANK_LOOPS[loop][1]} bad",
            BANK_LOOPS[loop][0],
            LoopFault(loop, Quality.BAD),
            priority,
            f"the loop is broken: {so_what}",
            "Check wire and transmitter.",
            by_alarm=("shared I/O lost",),
        )
        for loop, priority, so_what in _IF_BAD
    )


BANK_RULES: tuple[AlarmRule, ...] = (*_TRIPS, *_OTHERS, *_bad(), *uncertain(BANK_LOOPS))
