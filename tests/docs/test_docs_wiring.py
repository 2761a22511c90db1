"""docs/wiring.md: every example is a wiring once the signals that it does not show are wired elsewhere."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind
from controller.wiring import Asker, wiring_from
from controller.wiring.form import DeviceEntry, LinkEntry, PointEntry, Rs485Entry, ServiceEntry

PAGE = (Path(__file__).parents[2] / "docs" / "wiring.md").read_text(encoding="utf-8")
FORMS = PAGE.split("## One example of each form")[1].split("## Every key")[0].split("\n### ")[1:]
UNITS = 6


def rest(shown: set[str]) -> list[dict[str, Any]]:
    """Every signal that an example does not show, on a device of its own where anybody may write."""
    signals = [(f"bank.{signal.name}", signal) for signal in BANK_SIGNALS]
    signals += [(f"unit*.{signal.name}", signal) for signal in UNIT_SIGNALS]
    entries = []
    for place, (name, signal) in enumerate(signals):
        entry: dict[str, Any] = {"signal": name, "device": "rest", "address": 2 * place}
        if signal.kind in (Kind.DI, Kind.DO):
            entry |= {"table": "coil"}
        else:
            entry |= {"table": "holding", "type": "float32", "raw": [4, 20]}
        if name.startswith("unit*"):
            entry["unit_step"] = 200
        if name not in shown:
            entries.append(entry)
    return entries


def whole(form: str) -> dict[str, Any]:
    """An example, and all else that a wiring needs."""
    (text,) = re.findall(r"```toml\n(.*?)```", form, re.DOTALL)
    data = tomllib.loads(text)
    points = data.get("point", [])
    shown = {name for point in points for name in point.get("signals", [point.get("signal")])}
    links = data.get("link", [])
    devices = data["device"]
    used = {device["link"] for device in devices} | {"rest"}
    links += [{"name": n, "host": f"{n}.local"} for n in sorted(used - {link["name"] for link in links})]
    if not points:  # a device without a point would be refused
        shown = {"unit*.beacon"}
        points = [
            {
                "signal": f"unit{unit}.beacon",
                "device": devices[0]["name"].replace("*", str(unit)),
                "table": "coil",
                "address": unit,
            }
            for unit in range(1, UNITS + 1)
        ]
    devices = [*devices, {"name": "rest", "link": "rest", "unit_id": 99}]
    return {"link": links, "device": devices, "point": [*points, *rest(shown)]}


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.splitlines()[0])
def test_an_example_is_a_wiring(form: str) -> None:
    asker = Asker.BENCH if "PLC under test" in form else Asker.CONTROLLER
    wiring = wiring_from(whole(form), UNITS, asker, "wiring.toml")
    assert wiring.left_out == ()


def test_there_is_an_example_of_each_form() -> None:
    assert len(FORMS) == 8


def test_every_key_is_told() -> None:
    table = PAGE.split("## Every key")[1].split("## Values")[0]
    for model in (LinkEntry, DeviceEntry, PointEntry, ServiceEntry, Rs485Entry):
        assert [key for key in model.model_fields if f"`{key}`" not in table] == []


@pytest.mark.parametrize(
    ("model", "key", "told"),
    [
        (LinkEntry, "port", "port 502"),
        (LinkEntry, "baud", "19200, even, 1"),
        (LinkEntry, "timeout_ms", "| `timeout_ms` | 10 to 1000 | 200 |"),
        (LinkEntry, "exchange_ms", "| `exchange_ms` | 20 to 500 | 100 |"),
        (DeviceEntry, "gap", "| `gap` | 0 to 124 | 0 |"),
    ],
)
def test_defaults_that_the_page_tells_are_those_of_the_entries(model: Any, key: str, told: str) -> None:
    assert told in PAGE
    assert str(model.model_fields[key].default) in told
