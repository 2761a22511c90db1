"""What stands in no table of the firmware: steps of acceptance tests and of a lock-out, routine checks.

The words FAT and SAT are used as in IEC 62381 (from memory; the standard was not at hand). Steps, tolerances
and intervals are this project's own choices.
"""

from __future__ import annotations

FAT_STEPS: tuple[tuple[str, str, str], ...] = (
    ("FAT-1", "Documents", "narrative, I/O list, drawings, setpoint record agree; checksum of the program"),
    (
        "FAT-2",
        "Panel",
        "wiring, earth, E-stop chain, watchdog relay, undervoltage, by a licensed electrician",
    ),
    ("FAT-3", "Points", "every point with a simulator, table below"),
    ("FAT-4", "Requirements", "on the bench against the simulated plant, table below"),
    (
        "FAT-5",
        "Restarts",
        "restart, power dip and loss of I/O in the states in which the unit drives something",
    ),
)

SAT_STEPS: tuple[tuple[str, str, str], ...] = (
    ("SAT-1", "Loop check", "end to end at the field device: press, pour, warm, wet the probe; table below"),
    ("SAT-2", "Valves", "stroke each valve, measure opening and closing time"),
    ("SAT-3", "Pumps", "rotation, current of all phases, run-up time"),
    ("SAT-4", "Pressure test", "before membranes are loaded; flush the pipework, then load"),
    ("SAT-5", "First start", "a person present; first permeate to drain for at least 30 min"),
    (
        "SAT-6",
        "Wired protections",
        "E-stop, high-high float, discharge and permeate switches, by the process",
    ),
    ("SAT-7", "Shared water", "header dip and drain level with all flush slots in use"),
    ("SAT-8", "Trial run", "72 h without an unexplained trip"),
    ("SIT", "Owner's system", "data arrive; word order checked with a known value"),
)

LOOP_CURRENTS_MA = (3.5, 3.7, 4.0, 12.0, 20.0, 20.6, 21.5)
"""Currents at which a loop is looked at: broken, low, bottom, middle, top, high, shorted."""

TOLERANCES: dict[str, str] = {
    "bar": "1 % of span",
    "m3/h": "2 % of span",
    "uS/cm": "5 % of span",
    "mS/cm": "5 % of span",
    "%": "2 % of span",
    "degC": "1 degC",
    "Hz": "1 % of span",
    "mg/L": "5 % of span",
}
"""Tolerance of a loop by its unit (own choices)."""

ROUTINE: dict[str, tuple[str, str]] = {
    "F09": ("Compare with a hand meter, and with the product header AT-045.", "monthly"),
    "F20": ("Take a grab sample of the feed and measure free chlorine by hand.", "weekly"),
    "F39": (
        "Look at the cartridge and its seat; follow the normalised permeate flow.",
        "at each cartridge change",
    ),
    "F63": ("Compare antiscalant used with the feed total of FT-010; 15 % is too much.", "weekly"),
    "F91": ("Lock-out sheet of the unit; no filter housing is opened without it.", "before each opening"),
}
"""For each fault that inputs and outputs cannot catch: the check that covers it, and how often."""

LOCK_OUT: tuple[tuple[str, str], ...] = (
    ("Tell those in the house; stop the unit and set it to MAINTENANCE.", "This is not isolation."),
    (
        "Switch the pump isolator {isolator} off, lock it, hang the tag.",
        "{isolator} reads off; it proves no zero energy.",
    ),
    ("Shut the feed hand valve, lock it, hang the tag.", "The solenoid valve {feed} is no isolating valve."),
    ("Shut permeate and concentrate hand valves, lock them.", "Check valves are no isolation."),
    ("Open drain and bleed of the unit, leave them open.", "Membranes and filter housing hold pressure."),
    ("Read zero on the local gauge, not on {suction} or {membrane}.", "Reading, time, name."),
    (
        "Try to start: selector {selector} to AUTO, start command, nothing may move; back to OFF.",
        "Result, name.",
    ),
    (
        "While you work: read the gauge again whenever you come back.",
        "Pressure can return through a leaking valve.",
    ),
)
"""Steps of a lock-out in their order, with what to note. Braces name tags of the unit."""

REJOIN: tuple[str, ...] = (
    "Close bleed and drain; open the hand valves; take off your own lock and tag, nobody else's.",
    "Isolator {isolator} on, selector {selector} OFF, then return to service by a named person.",
    "Selector to AUTO. The unit flushes twice before its first pump start; a person must be present.",
)

ENERGIES: tuple[tuple[str, str], ...] = (
    ("Electricity: high-pressure pump", "isolator {isolator}"),
    ("Feed pressure from the header", "feed hand valve of the unit"),
    ("Pressure stored in membranes and filter housing", "drain and bleed of the unit"),
    ("Permeate and concentrate coming back", "hand valves of both lines"),
    ("Chemicals in lines and tank", "dosing pump, its valves, safety data sheet"),
)

BASELINE = (
    "feed temperature, degC",
    "feed conductivity, mS/cm",
    "permeate conductivity, uS/cm",
    "header pressure, bar",
    "suction pressure, bar",
    "membrane pressure, bar",
    "permeate flow, m3/h",
    "concentrate flow, m3/h",
    "motor current, A",
)
"""What is measured of each unit after 24 to 72 h of production."""
