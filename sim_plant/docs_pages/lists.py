"""Pages that are lists: setpoints, signals, requirements, faults, cases."""

from __future__ import annotations

from itertools import groupby

from annotated_types import Ge, Gt, Le, Lt
from pydantic import ValidationError
from pydantic.fields import FieldInfo

from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, Signal
from sim_plant.bench.cases import Run, load_cases
from sim_plant.bench.monitors import REQUIREMENTS, Requirement
from sim_plant.bench.steps import unit_word
from sim_plant.catalogue import CATALOGUE, Injection, Line
from sim_plant.docs_pages.markdown import code, codes, number, page, span, table
from sim_plant.faults import FAULTS, FaultSpec
from sim_plant.site import demo_folder, load_site

# endings of setpoint names, longest first where one ends in another
_UNITS = (
    ("_ml_m3", "mL per m3 of feed"),
    ("_bar_s", "bar/s"),
    ("_ml_h", "mL/h"),
    ("_per_us", "mg/L per uS/cm"),
    ("_per_h", "in a rolling hour"),
    ("_degc", "degC"),
    ("_m3h", "m3/h"),
    ("_mgl", "mg/L"),
    ("_bar", "bar g"),
    ("_pct", "%"),
    ("_min", "min"),
    ("_ratio", "ratio"),
    ("_hz", "Hz"),
    ("_l", "L"),
    ("_h", "h"),
    ("_s", "s"),
)
# one pair of values for each rule that binds setpoints together; the refusal is printed as it comes
_CONTRADICTIONS: tuple[dict[str, float], ...] = (
    {"stagnation_h": 4},
    {"start_flush_max_s": 150},
    {"tds_clear_mgl": 250},
    {"settled_suction_bar": 0.7},
    {"tank_last_pct": 80, "tank_first_pct": 75},
    {"header_ready_bar": 3.5},
    {"temp_clear_degc": 43},
    {"chlorine_clear_mgl": 0.2},
    {"purge_evidence_s": 20},
    {"purge_interval_s": 120, "purge_s": 60},
)


# --- setpoints --------------------------------------------------------------------------------------


def settings_page() -> str:
    """Every setpoint: name, default, range, unit, meaning."""
    rows = [
        (
            code(name),
            number(field.default),
            range_of_setpoint(field),
            unit_of_setpoint(name),
            field.description or "",
        )
        for name, field in Setpoints.model_fields.items()
    ]
    return page(
        "Setpoints",
        "Every setpoint of the firmware, in the order of `controller/settings.py`. They stand in the "
        "`[setpoints]` table of `site.toml`; one that is left out has its default. The defaults belong to "
        "an invented plant: each must be replaced by a site value and signed.",
        "A value outside its range, NaN, an unknown name, or a pair of values that contradict each other is "
        "refused before anything runs.",
        table(("Setpoint", "Default", "Range", "Unit", "Meaning"), rows),
        "## Values that bind each other",
        "What is refused although each value is in its own range. Left an example, right the refusal.",
        table(("For example", "Refused with"), [_refusal(values) for values in _CONTRADICTIONS]),
        "The number of flush slots follows from drain, booster and number of units; a bank that leaves no "
        "room for one flush, or whose purges would fill more than 70 % of the slots' time, is refused too.",
    )


def unit_of_setpoint(name: str) -> str:
    """Unit of a setpoint by the ending of its name; a count has none."""
    return next((unit for ending, unit in _UNITS if name.endswith(ending)), "")


def range_of_setpoint(field: FieldInfo) -> str:
    """Least and greatest value in words."""
    words = []
    for limit in field.metadata:
        match limit:
            case Ge():
                words.append(f"from {number(limit.ge)}")
            case Gt():
                words.append(f"more than {number(limit.gt)}")
            case Le():
                words.append(f"to {number(limit.le)}")
            case Lt():
                words.append(f"less than {number(limit.lt)}")
    return " ".join(words)


def _refusal(values: dict[str, float]) -> tuple[str, str]:
    """An example and its refusal; ValueError when the firmware accepts it after all."""
    try:
        Setpoints(**values)
    except ValidationError as error:
        shown = ", ".join(f"{name} = {number(value)}" for name, value in values.items())
        return code(shown), str(error.errors()[0]["ctx"]["error"])
    raise ValueError(f"{values} was meant to be refused")


# --- signals ----------------------------------------------------------------------------------------


def io_page() -> str:
    """Every signal: tag, name, kind, range, on loss, text."""
    return page(
        "I/O list",
        "The only boundary between a controller and the plant (`controller/signals.py`). Tags follow "
        "ISA-5.1, letters from memory: loop number is unit times 100 plus item, `x` stands for the unit.",
        "A protective contact is closed when healthy, an actuator is de-energised to its safe position, a "
        "feedback is closed when the thing is true (common practice, no source). So a cut wire reads as a "
        "trip, or as not proven. Loops travel in mA; 4 mA is the lower end of the range, 20 mA the upper. "
        "In a case file a signal goes by its name, one of the bank by `bank.` and its name.",
        "## One unit",
        _signals(UNIT_SIGNALS),
        "## The bank",
        _signals(BANK_SIGNALS),
    )


def _signals(signals: tuple[Signal, ...]) -> str:
    head = ("Tag", "Name", "Kind", "Range", "On loss", "What it is")
    return table(
        head, [(s.tag, code(s.name), s.kind.name, _signal_range(s), s.on_loss, s.text) for s in signals]
    )


def _signal_range(signal: Signal) -> str:
    if signal.kind in (Kind.DI, Kind.DO):
        return "contact" if signal.kind is Kind.DI else "coil"
    return f"{span(signal.lo, signal.hi)} {signal.unit}"


# --- requirements -----------------------------------------------------------------------------------


def requirements_page() -> str:
    """Every requirement of the control narrative, as its monitor judges it."""
    defaults = Setpoints()
    return page(
        "Requirements",
        f"The bench judges {len(REQUIREMENTS)} requirements in every run, whatever the case asks for. A "
        "monitor looks at field signals, plant truth and what the bench did, never at a state that the "
        "target reports; SR-55 and SR-56 read its data port. Statements are shown with the default "
        "setpoints; the report shows them with the site's. Limits are this project's own choices.",
        "An invariant holds always, a response follows its trigger in time, a sequence is an order of steps. "
        "A requirement whose trigger never came is *not exercised*: that is not a pass. SR-44, SR-48 and "
        "SR-57 compare a run with the same run undisturbed: only a case with a step that `disturbs` puts "
        "them to the test.",
        table(
            ("Id", "Requirement", "Kind", "Guards against", "Setpoints"),
            [_requirement(requirement, defaults) for requirement in REQUIREMENTS],
        ),
    )


def _requirement(requirement: Requirement, defaults: Setpoints) -> tuple[str, ...]:
    hazard, setpoints = "; ".join(requirement.hazard), codes(requirement.setpoints)
    return requirement.id, requirement.text(defaults), requirement.kind, hazard, setpoints


# --- faults -----------------------------------------------------------------------------------------


def faults_page() -> str:
    """The closed vocabulary of faults."""
    physical, loops, contacts = (_pairs(kind) for kind in (None, Kind.AI, Kind.DI))
    return page(
        "Faults",
        f"The closed vocabulary of `inject` in a case file: {len(FAULTS)} pairs of target and kind "
        "(`sim_plant/faults.py`). A pair that is not here is refused, and so is a value that is missing, "
        "superfluous or out of range. Faults act in the plant, never in the controller.",
        "F numbers are lines of the fault catalogue that a pair serves; the catalogue stands at the end.",
        "## Things that break",
        _fault_table(physical),
        "## Loops",
        "The instrument tells the controller something else than what is true.",
        "A spike's period and width and the other loop of a swap may be said: "
        '`{ target = "suction", kind = "spike", value_bar = -1.0, period_s = 4, width_s = 0.5 }`, '
        '`{ target = "suction", kind = "swapped", other = "permeate_flow" }`.',
        _fault_table(loops),
        "## Contacts",
        _fault_table(contacts),
        "## The catalogue",
        'Each line with what injects it, from mild to severe; ways are parted by "or". In Python: '
        '`plant.inject_id("F41", unit=2, severity=0.5)`. Lines that are none of the plant\'s say where they '
        "belong.",
        table(
            ("F", "What", "Injected by, or where it belongs"),
            [(name, line.text, _injected(line)) for name, line in CATALOGUE.items()],
        ),
    )


def _injected(line: Line) -> str:
    if not line.ways:
        return f"{line.belongs_to}: {line.reason}"
    if len(line.ways) > 8:
        kind = line.ways[0][0].kind
        return f"{code(kind)} of any of the {len(line.ways)} contacts"
    ways = " or ".join(" with ".join(_severities(i) for i in way) for way in line.ways)
    return f"{ways}; {line.reason}" if line.reason else ways


def _severities(injection: Injection) -> str:
    pair = f"{code(injection.target)} {code(injection.kind)}"
    if injection.mild is None or injection.severe is None:
        return pair
    unit = FAULTS[injection.target, injection.kind].value_unit
    if injection.mild == injection.severe:
        return f"{pair} {number(injection.mild)} {unit}"
    return f"{pair} {span(injection.mild, injection.severe)} {unit}"


def _pairs(kind: Kind | None) -> list[tuple[str, str]]:
    """Faults of the instruments of one kind, which name their tag first; None for things that break."""
    kinds = {signal.tag: signal.kind for signal in (*UNIT_SIGNALS, *BANK_SIGNALS)}
    return [pair for pair, spec in FAULTS.items() if kinds.get(spec.text.split()[0]) is kind]


def _fault_table(pairs: list[tuple[str, str]]) -> str:
    head = ("Target", "Kind", "Where", "Value key", "Range", "What happens", "F")
    return table(head, [_fault(pair, FAULTS[pair]) for pair in pairs])


def _fault(pair: tuple[str, str], spec: FaultSpec) -> tuple[str, ...]:
    key = code(f"value_{unit_word(spec.value_unit)}") if spec.value_unit else "none"
    limits = f"{span(spec.lo, spec.hi)} {spec.value_unit}" if spec.value_unit else ""
    where = "unit" if spec.per_unit else "bank"
    return code(pair[0]), code(pair[1]), where, key, limits, spec.text, ", ".join(spec.ids)


# --- cases ------------------------------------------------------------------------------------------


def cases_page() -> str:
    """The bundled cases."""
    runs = load_cases(load_site(demo_folder()))
    by_file = [(source, list(group)) for source, group in groupby(runs, key=lambda run: run.source)]
    families = sorted({group[0].case.family for _, group in by_file})
    parts = []
    for family in families:
        rows = [_case(source, group) for source, group in by_file if group[0].case.family == family]
        head = ("Case", "File", "Strikes in", "Puts to the test", "Runs")
        parts += [f"## {family[:1].upper()}{family[1:]}", table(head, rows)]
    return page(
        "Bundled cases",
        f"The cases of the bundled nursery: {len(by_file)} files, {len(runs)} runs. They are also the "
        "examples to copy; how to write one is told in [writing-cases.md](writing-cases.md). Every run is "
        "judged against all [requirements](requirements.md); the column names those that the case promises "
        "to put to the test.",
        *parts,
    )


def _case(source: str, runs: list[Run]) -> tuple[str, ...]:
    case = runs[0].case
    states = ", ".join(state.value for state in case.given.states)
    return (
        case.title,
        code(source.removesuffix(".case.toml")),
        states,
        ", ".join(case.requirements),
        str(len(runs)),
    )
