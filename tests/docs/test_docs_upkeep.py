"""docs/upkeep.md: its example is what comes out, its tables are those of the code."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from sim_plant.cli import app
from sim_plant.upkeep.logfile import FILE_BYTES_MAX, ROWS_MAX
from sim_plant.upkeep.quantities import NEEDED, QUANTITIES
from sim_plant.upkeep.table import Baseline, Column, Done, DoseCheck, HandMeter, Law, Log, Table, Water
from sim_plant.upkeep.trend import METHOD_PCT_PER_DEGC
from sim_plant.upkeep.triggers import DOSE_DAYS, DOSE_PCT, LIMITS, METER_DAYS, PREFILTER_DAYS, PROOF_DAYS

PAGE = (Path(__file__).parents[2] / "docs" / "upkeep.md").read_text(encoding="utf-8")


def test_the_worked_example_is_what_the_bundled_log_gives(tmp_path: Path) -> None:
    shown = re.findall(r"```\n(Where.*?)\n```", PAGE, re.DOTALL)
    printed = CliRunner().invoke(app, ["upkeep", "--out", str(tmp_path / "out")]).stdout.split("\n\n")[0]
    assert shown == ["\n".join(line.rstrip() for line in printed.splitlines())]


def test_every_quantity_stands_with_its_units_and_limits() -> None:
    for name, quantity in QUANTITIES.items():
        units = ", ".join(quantity.scales) or "0 and 1, off and on, ..."
        limits = f"{quantity.lo:g} and {quantity.hi:g} {quantity.unit} " if quantity.scales else ""
        assert f"| `{name}` | {quantity.words} | {units} | {limits}|" in PAGE
    needed = PAGE.split("\nNeeded: ")[1].split(", and")[0]
    assert tuple(re.findall(r"`(\w+)`", needed)) == NEEDED


@pytest.mark.parametrize("model", [Baseline, Column, Done, DoseCheck, HandMeter, Law, Log, Water])
def test_every_key_of_the_table_is_explained(model: type[Any]) -> None:
    assert [key for key in model.model_fields if f"`{key}`" not in PAGE] == []


def test_every_part_of_the_table_is_explained() -> None:
    lists = {name: f"`[[{name}]]`" for name in ("hand_meter", "dose_check")}
    parts = {"title": "`title`", "units": "`units`", **lists}
    assert [key for key in Table.model_fields if parts.get(key, f"`[{key}]`") not in PAGE] == []


def test_limits_on_the_page_are_those_of_the_code() -> None:
    for limit in LIMITS:
        row = next(line for line in PAGE.splitlines() if line.startswith(f"| {limit.words} |"))
        warning, reached = (cell.strip() for cell in row.split("|")[2:4])
        assert reached.startswith(f"{limit.bad * limit.act_pct:+.0f} %")
        told = f"{limit.bad * limit.warn_pct:+.0f} %" if limit.warn_pct != limit.act_pct else ""
        assert warning == told
    assert all(f"{days} days" in PAGE for days in (METER_DAYS, PREFILTER_DAYS, PROOF_DAYS, DOSE_DAYS))
    assert f"more than {DOSE_PCT:g} % from the dose" in PAGE
    assert f"{METHOD_PCT_PER_DEGC:g} % for each degree is added" in PAGE
    assert f"at most {ROWS_MAX:,} rows and {FILE_BYTES_MAX // 1_000_000} MB" in PAGE
