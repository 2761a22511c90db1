"""Hand-written pages: what they show really runs, what they name really exists."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main

from controller.files import InputError
from controller.firmware import Controller
from controller.settings import Setpoints
from sim_plant import cli
from sim_plant.bench.cases import CaseFile, Expectation, Given, RunTable, load_case
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.rig import Rig
from sim_plant.bench.runner import Workshop
from sim_plant.bench.shrink import shrink
from sim_plant.bench.steps import Injection, SetpointChange, Step
from sim_plant.bench.targets import DeskTarget
from sim_plant.bench.verdicts import Verdict
from sim_plant.commands import common
from sim_plant.plant import Plant
from sim_plant.site import demo_folder, load_site
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

DOCS = Path(__file__).parents[2] / "docs"
PAGES = sorted(DOCS.rglob("*.md"))
EXAMPLE = "pressure-too-high.case.toml"


def guide(name: str) -> str:
    return (DOCS / name).read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", text, re.DOTALL)


def worked_example() -> str:
    part = guide("writing-cases.md").split("## A worked example")[1].split("## Every key")[0]
    return "\n".join(blocks(part, "toml"))


def mistakes() -> Iterator[tuple[str, str, str]]:
    part = guide("writing-cases.md").split("## What you are told")[1].split("## Mistakes")[0]
    for line in part.splitlines():
        if line.startswith("| `"):
            right, wrong, told = (cell.strip("` ") for cell in line.strip("|").split(" | "))
            yield right, wrong, told


# --- writing cases ----------------------------------------------------------------------------------


def test_the_worked_example_is_a_case_of_four_runs(tmp_path: Path) -> None:
    path = tmp_path / EXAMPLE
    path.write_text(worked_example(), encoding="utf-8")
    assert [run.run_id for run in load_case(path, load_site(demo_folder()))] == [
        "pressure-too-high-1-produce",
        "pressure-too-high-1-purge",
        "pressure-too-high-2-produce",
        "pressure-too-high-2-purge",
    ]


@pytest.mark.parametrize(("right", "wrong", "told"), list(mistakes()))
def test_a_mistake_in_the_example_is_told_as_the_page_says(
    right: str, wrong: str, told: str, tmp_path: Path
) -> None:
    path = tmp_path / EXAMPLE
    assert right in worked_example()
    path.write_text(worked_example().replace(right, wrong, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_case(path, load_site(demo_folder()))
    assert str(caught.value) == f"{EXAMPLE}: {told}"


def test_mistakes_were_found_on_the_page() -> None:
    assert len(list(mistakes())) >= 10


@pytest.mark.parametrize("model", [CaseFile, Given, Step, Injection, SetpointChange, Expectation, RunTable])
def test_every_key_of_a_case_is_explained(model: type[Any]) -> None:
    keys = guide("writing-cases.md").split("## Every key")[1].split("## Words of units")[0]
    shown = {
        "step": "[[step]]",
        "expect": "[[expect]]",
        "given": "[given]",
        "run": "[run]",
        "value": "value_<unit>",
        "below": "below_<unit>",
        "above": "above_<unit>",
        "is_": "is",
    }
    by_quantity = {"value_unit", "below_unit", "above_unit"}  # the ending of a key, no key of its own
    missing = [
        name
        for name in model.model_fields
        if name not in by_quantity and f"`{shown.get(name, name)}`" not in keys
    ]
    assert missing == []


def test_every_true_quantity_is_named() -> None:
    text = guide("writing-cases.md")
    assert [name for name in (*UNIT_TRUTH, *BANK_TRUTH) if f"`{name}`" not in text] == []


# --- at the desk ------------------------------------------------------------------------------------


def late_pump() -> Any:
    source = next(code for code in blocks(guide("desk-guide.md"), "python") if "LatePump" in code)
    names: dict[str, Any] = {}
    exec(source, names)
    return names["LatePump"]


def stop_delay_s(factory: Any) -> float:
    """From the emergency stop to the pump output off, in a bank of one unit that was copied on the way."""
    rig = Rig(Plant(1, load_site(demo_folder()).file.plant, 1), DeskTarget(1, Setpoints(), factory), 100)
    rig.plant.set_tank_pct(30.0)
    assert rig.run_until(lambda: rig.state_of(1) == "PRODUCE", 600.0)
    rig.restore(rig.snapshot())
    start_ms = rig.now_ms
    rig.operate("estop_healthy", 0, False)
    rig.run_for(5.0)
    trace = rig.trace()
    on = trace.unit("pump", 1)
    return float(trace.t_ms[on][-1] + 100 - start_ms) / 1000.0


def test_the_wrapper_example_runs_and_lets_the_pump_go_two_seconds_late() -> None:
    assert stop_delay_s(late_pump()) - stop_delay_s(Controller) == pytest.approx(1.9)


def test_the_methods_that_the_guide_asks_for_are_those_of_the_firmware() -> None:
    table = guide("desk-guide.md").split("| method |")[1].split("\n\n")[0]
    named = re.findall(r"`(\w+)\(", table)
    assert sorted(named) == ["restore", "retained", "scan", "snapshot", "states"]
    assert all(callable(getattr(Controller, name)) for name in named)


# --- what pages name --------------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    targets = re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8"))
    assert [target for target in targets if not (page.parent / target).exists()] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_requirements_setpoints_and_cases_that_a_page_names_exist(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    requirements = {requirement.id for requirement in REQUIREMENTS}
    assert set(re.findall(r"\bSR-\d\d\b", text)) <= requirements
    assert set(re.findall(r"--set ([a-z]\w+)=", text)) <= set(Setpoints.model_fields)
    files = [path.name for path in (demo_folder() / "cases").iterdir()] + [EXAMPLE]
    for name in re.findall(r"--case ([a-z-]{4,})(?![\w./-])", text):
        assert any(name in file for file in files), name
    for path in re.findall(r"--case (docs/[\w./-]+)", text):
        assert (DOCS.parent / path).is_file(), path


def test_the_index_names_every_page() -> None:
    index = guide("README.md")
    pages = [str(page.relative_to(DOCS)) for page in PAGES if page.name != "README.md"]
    assert [page for page in pages if f"({page})" not in index] == []


def test_options_and_exit_codes_of_the_qa_guide_are_those_of_the_commands() -> None:
    text = guide("qa-guide.md")
    command = typer.main.get_command(cli.app)
    told = [command.commands[name] for name in ("prove", "campaign")]  # type: ignore[attr-defined] # a group has them
    options = {option for one in told for parameter in one.params for option in parameter.opts}
    known = {option for option in options if option.startswith("--")}
    assert set(re.findall(r"^\| `(--[\w-]+)", text, re.MULTILINE)) == known
    codes = {int(code) for code in re.findall(r"^\| (\d) \|", text, re.MULTILINE)}
    assert codes >= {common.PROVEN, common.FAILED, common.BAD_INPUT, common.NOT_REACHED, common.STOPPED}


def test_the_shrunk_case_of_the_qa_guide_is_what_comes_out() -> None:
    part = guide("qa-guide.md").split("## Shrunk cases")[1].split("## Exit codes")[0]
    site = load_site(demo_folder(), ["suction_trip_s=2"])
    run = load_case(demo_folder() / "cases" / "feed-dip-ridden-through.case.toml", site)[0]
    workshop = Workshop(site, Controller, site.file.site.seed)
    small = shrink(workshop, run, workshop.carry_out(run).expectations)

    assert blocks(part, "toml") == [small.toml()]
    assert f"shrunk: evidence/dip/shrunk/{small.file_name}: {small.words()}\n" in part


def test_every_verdict_is_explained() -> None:
    text = guide("qa-guide.md")
    assert [verdict for verdict in Verdict if f"| {verdict.value} |" not in text] == []
