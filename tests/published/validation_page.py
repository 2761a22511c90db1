"""``python -m tests.published.validation_page``: write ``docs/validation.md`` from the tables of the tests.

``--check`` writes nothing and returns 1 when the page differs.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

from sim_plant.docs_pages.markdown import code, codes, number, table
from sim_plant.process import conductivity
from tests.published import ours_water, ours_works
from tests.published.evidence import EVIDENCE, GAPS
from tests.published.libraries import COMPARISONS, Comparison
from tests.published.reading import Value, read_values
from tests.published.registry import OURS, PRODUCTION

PAGE = Path(__file__).parents[2] / "docs" / "validation.md"
MAKERS = (ours_water, ours_works)  # importing them fills OURS
TITLES = {
    "osmotic": "Osmotic pressure", "transport": "Membranes", "water": "Water",
    "conductivity": "Conductivity", "scaling": "Calcium carbonate and antiscalant",
    "hydraulics": "Pipes, valves, pumps", "duty": "Duty and hold-up", "signals": "Loops",
    "motors": "Motors", "product": "Product water",
}  # fmt: skip
NOTE = (
    "<!-- Written by `python -m tests.published.validation_page` from the tables of the tests. "
    "Change those, not this page. -->"
)
INTRO = """What the simulated plant has been held against, how near it comes, and what it leaves out.
Kinds of evidence, none of which poses as another:

- **published**: a handbook, standard or page. **library**: an independent package of the named version.
- **arithmetic**: a definition or closed form, computed outside the project; it proves units and
  bookkeeping, not physics. **memory**: recalled, not found again; repeat it before relying on it.
- **limit case**, **balance**, **step size**: properties that hold whatever the numbers.
- **practice**: what every operator has seen; common practice, no source.
- **pinned**: a number that our own code printed. There is none here.

"Ours" always comes from production code; `tests/published/ours_*.py` only turns units."""


def page() -> str:
    """The whole page."""
    values = list(read_values().values())
    parts = [
        "# Validation", NOTE, INTRO, "## Count", _count(values), "## Values", *_values(values),
        "## Whole ranges against independent packages", _comparisons(), "## Properties", _properties(),
        "## Not applicable", "Nothing of this project can be held against these values yet.",
        _not_applicable(values), "## Known gaps of the model", _gaps(), "## Speed",
        "`python -m tests.benchmarks` measures the step, its plain twin, NumPy and SciPy in one run.",
    ]  # fmt: skip
    return "\n\n".join(parts) + "\n"


def _count(values: list[Value]) -> str:
    met = Counter(value.basis for value in values if value.by)
    left = Counter(value.basis for value in values if value.not_here)
    rows = [(basis, str(met[basis]), str(left[basis])) for basis in sorted(met | left)]
    rows.append(("all", str(sum(met.values())), str(sum(left.values()))))
    return table(("kind", "met by production code", "not applicable"), rows)


def _values(values: list[Value]) -> list[str]:
    parts = []
    for topic, title in TITLES.items():
        rows = [_row(value) for value in values if value.topic == topic and value.by]
        head = ("quantity", "given", "kind", "value", "ours", "tolerance and why", "by", "source", "status")
        parts += [f"### {title}", table(head, rows)]
    return parts


def _row(value: Value) -> tuple[str, ...]:
    given = ", ".join(f"{name} {_number(x)}" for name, x in value.given.items())
    ours = OURS[value.by](value.given)
    shown = [f"{x:.5g}" for x in ours] if isinstance(ours, list) else [f"{ours:.5g}"]
    by = codes(PRODUCTION[value.by])
    why = f"{_tolerance(value)}: {value.why}"
    return (
        f"{code(value.id)} {value.what}", given, value.basis, f"{_expected(value)} {value.unit}".strip(),
        ", ".join(shown), why, by, value.source, value.status,
    )  # fmt: skip


def _number(x: object) -> str:
    return " and ".join(number(each) for each in x) if isinstance(x, list) else number(x)


def _expected(value: Value) -> str:
    if value.range:
        return " to ".join(number(x) for x in value.expected)
    return (
        ", ".join(number(x) for x in value.expected)
        if isinstance(value.expected, list)
        else number(value.expected)
    )


def _tolerance(value: Value) -> str:
    if value.range:
        return "within"
    if value.within_rel is not None:
        return f"{100 * value.within_rel:.3g} %"
    return "exact" if value.within_abs == 0.0 else f"{value.within_abs:g}"


def _comparisons() -> str:
    head = ("quantity", "range", "worst on a grid", "bound held anywhere", "why", "by", "library")
    return table(head, [_comparison(each) for each in COMPARISONS])


def _comparison(c: Comparison) -> tuple[str, ...]:
    box = ", ".join(f"{axis} {low:g} to {high:g}" for axis, (low, high) in zip(c.axes, c.box, strict=True))
    return c.what, box, _error(c, c.seen), _error(c, c.bound), c.why, code(c.by), c.library


def _error(comparison: Comparison, x: float) -> str:
    if comparison.absolute:
        return f"{x:g}"
    return "0" if x == 0.0 else f"{100 * x:.2g} %"


def _properties() -> str:
    rows = [(e.kind, e.what, e.near, codes(name.partition("::")[2] for name in e.tests)) for e in EVIDENCE]
    return table(("kind", "what", "how near", "tests"), rows)


def _not_applicable(values: list[Value]) -> str:
    rows = [
        (f"{code(v.id)} {v.what}", f"{_expected(v)} {v.unit}".strip(), v.basis, v.not_here, v.status)
        for v in values
        if v.not_here
    ]
    return table(("quantity", "value", "kind", "why not", "status"), rows)


def _gaps() -> str:
    by_law = conductivity.nacl_mgl(8974.0, 25.0)
    return "\n".join(f"- {gap.format(nacl_mgl=by_law)}" for gap in GAPS)


def main() -> int:
    """Write the page, or with --check tell whether it differs."""
    text = page()
    if "--check" in sys.argv:
        return int(not PAGE.is_file() or PAGE.read_text(encoding="utf-8") != text)
    PAGE.write_text(text, encoding="utf-8", newline="\n")
    print(PAGE)
    return 0


if __name__ == "__main__":
    sys.exit(main())
