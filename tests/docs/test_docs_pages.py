"""Generated pages say what the code says; the picture is a real run."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from controller.alarms.bank_rules import BANK_RULES
from controller.alarms.unit_rules import UNIT_RULES
from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS
from controller.unit.states import STATES, Event, UnitState
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.docs_pages import PAGES, stale_pages, write_pages
from sim_plant.docs_pages.__main__ import main
from sim_plant.docs_pages.lists import unit_of_setpoint
from sim_plant.docs_pages.markdown import cell
from sim_plant.docs_pages.picture import draw_case
from sim_plant.docs_pages.sequence import cell_text
from sim_plant.faults import FAULTS

DOCS = Path(__file__).parents[2] / "docs"
COUNTS = {
    "quality_flush_budget",
    "suction_retries",
    "max_in_maintenance",
    "io_retries",
    "brownout_returns",
    "auto_resume",
    "position_proofs",
}


@pytest.mark.parametrize("name", PAGES)
def test_the_page_in_docs_is_what_the_code_says(name: str) -> None:
    text = (DOCS / name).read_text(encoding="utf-8")
    assert text == PAGES[name](), "run: python -m sim_plant.docs_pages"


def test_a_page_that_differs_or_is_missing_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_pages(tmp_path)
    assert stale_pages(tmp_path) == []
    page = tmp_path / "settings.md"
    page.write_text(page.read_text(encoding="utf-8").replace("120", "121", 1), encoding="utf-8")
    (tmp_path / "cases.md").unlink()
    assert stale_pages(tmp_path) == ["settings.md", "cases.md"]
    assert main(["--docs", str(tmp_path), "--check"]) == 1
    assert "settings.md" in capsys.readouterr().out


def test_every_event_has_a_row_of_sixteen_cells() -> None:
    matrix = PAGES["sequence.md"]().split("## State by event")[1].split("## Further targets")[0]
    rows = [line for line in matrix.splitlines() if line.startswith("| E") and line[3].isdigit()]
    assert len(rows) == len(Event)
    assert {row.count(" | ") for row in rows} == {len(STATES)}


@pytest.mark.parametrize(
    ("state", "event", "expected"),
    [
        (UnitState.PRODUCE, Event.LOW_SUCTION, "T1>RW"),
        (UnitState.START_FLUSH, Event.STOP, "C>SB"),
        (UnitState.BOOT, Event.CALL, "r"),
        (UnitState.STANDBY, Event.CALL, ">WP"),
        (UnitState.LOCKOUT, Event.RESET, ">SB+"),
        (UnitState.OFF, Event.PUMP_WELDED, "K>OF"),
    ],
)
def test_a_cell_reads_as_the_narrative_writes_it(state: UnitState, event: Event, expected: str) -> None:
    assert cell_text(state, event) == expected


def test_the_diagram_names_every_state_and_stays_readable() -> None:
    diagram = PAGES["sequence.md"]().split("```mermaid")[1].split("```")[0]
    arrows = [line.split(" : ") for line in diagram.splitlines() if "-->" in line]
    assert len(arrows) < 60
    assert all(state.value in diagram for state in STATES)
    # a second colon or a semicolon would end the label early
    assert all(len(arrow) <= 2 and ":" not in arrow[-1] and ";" not in arrow[-1] for arrow in arrows[1:])


def test_lists_leave_nothing_out() -> None:
    assert all(f"`{name}`" in PAGES["settings.md"]() for name in Setpoints.model_fields)
    io_list = PAGES["io-list.md"]()
    assert all(f"| {s.tag} | `{s.name}` |" in io_list for s in (*UNIT_SIGNALS, *BANK_SIGNALS))
    requirements = PAGES["requirements.md"]()
    assert all(f"| {name} |" in requirements for name in (r.id for r in REQUIREMENTS))
    faults = PAGES["faults.md"]()
    assert all(faults.count(f"| `{target}` | `{kind}` |") == 1 for target, kind in FAULTS)


def test_every_alarm_has_a_row_with_what_to_do() -> None:
    alarms = PAGES["alarms.md"]()
    unit, bank = alarms.split("## Alarms of a unit")[1].split("## Alarms of the bank")
    for text, rules in ((unit, UNIT_RULES), (bank, BANK_RULES)):
        rows = {line.split(" | ")[0].removeprefix("| "): line for line in text.splitlines()}
        assert all(rows[rule.id].endswith(f"| {rule.action} |") for rule in rules)


def test_every_setpoint_that_is_no_count_has_a_unit() -> None:
    assert {name for name in Setpoints.model_fields if not unit_of_setpoint(name)} == COUNTS


def test_every_row_of_a_table_has_as_many_cells_as_its_head() -> None:
    for name, page in PAGES.items():
        width = 0
        for line in page().splitlines():
            if not line.startswith("|"):
                width = 0
                continue
            cells = line.replace("\\|", "").count("|")
            width = width or cells
            assert cells == width, f"{name}: {line}"


def test_what_would_break_a_table_or_pass_for_html_is_escaped() -> None:
    assert cell("a | b < c *d*") == "a \\| b &lt; c \\*d\\*"
    assert cell("`a < *b*`") == "`a < *b*`"


def test_the_picture_is_drawn_from_a_run_carried_out_now() -> None:
    root = ET.fromstring(draw_case("feed-collapse-trips-fast"))
    title = root.find("{http://www.w3.org/2000/svg}title")
    assert title is not None
    assert title.text is not None
    assert title.text.startswith("Suction all but gone stops the pump at once (PUMP_START")


def test_the_kept_picture_is_small_and_whole() -> None:
    path = DOCS / "images" / "run.svg"
    assert path.stat().st_size < 200_000
    assert ET.parse(path).getroot().tag.endswith("svg")
