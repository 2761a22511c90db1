"""What must be read before any of this is believed or wired."""

CAUTIONS: tuple[str, ...] = (
    "This is a prototype and a test bench. It is not a safety system and makes no SIL or PL claim. A "
    "passing run is no proof of a safe plant: it is evidence about control logic, on a simulated plant.",
    "Hard-wired protection (E-stop chain, pressure switches, motor protectors, high-high float, watchdog "
    "relay, relief valves) must exist and work whatever the program does. The simulation does not test "
    "it.",
    "Mains work, E-stop circuits, drives and panels are for licensed electricians, under local code and a "
    "risk assessment made by a competent person.",
    "Lock out, tag out, try out. OFF or MAINTENANCE in a program is not isolation, and a solenoid valve "
    "is not an isolating valve. Membranes, filter housings and headers stay under pressure and can be "
    "pressurised again through a leaking valve: bleed, and read a local gauge, before loosening anything.",
    "Chemicals (antiscalant, acid, alkali, preservative): read the safety data sheet, protect the eyes, "
    "never mix acid with hypochlorite, contain spills, never dose into still water.",
    "Permeate is irrigation water unless the local authority accepts it as drinking water. Discharging "
    "concentrate may need a permit and has a salinity limit where it goes.",
    "Never let this bench write to the outputs of a live plant without a written permit, a person at the "
    "E-stop, and the plant cut off from other masters.",
    "The default settings belong to an invented plant. Each must be replaced with a site value and "
    "signed. The makers' written limits for pumps and membranes override everything here.",
)
