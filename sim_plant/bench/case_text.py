"""A case written as the TOML of a case file, so that reading it again gives the same case."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import Enum
from typing import Any

import tomlkit
from tomlkit.items import AoT, Item

from sim_plant.bench.cases import CaseFile

_WHOLE_MAX = 1e15  # floats are whole numbers in steps of one up to here, so nothing is lost as an integer


def table_of(case: CaseFile) -> dict[str, Any]:
    """The case as plain data with the keys of a case file; what has its default is left out.

    >>> from sim_plant.bench.steps import Injection
    >>> inject = Injection.model_validate({"target": "suction", "kind": "stuck_at", "value_bar": 0.6})
    >>> _plain(inject.model_dump(exclude_defaults=True))
    {'target': 'suction', 'kind': 'stuck_at', 'value_bar': 0.6}
    """
    table: dict[str, Any] = _plain(case.model_dump(by_alias=True, exclude_defaults=True, exclude_none=True))
    return table


def case_toml(table: Mapping[str, Any], comment: Sequence[str] = ()) -> str:
    """The text of a case file from plain data (``table_of``), with lines of comment at its head."""
    document = tomlkit.document()
    for line in comment:
        document.add(tomlkit.comment(line))
    for key, value in table.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            document.add(key, _tables(value))
        elif value != []:
            document.add(key, _table(value) if isinstance(value, dict) else tomlkit.item(value))
    return tomlkit.dumps(document)


def _plain(value: Any) -> Any:
    """As TOML knows it: units in keys, words for states and verbs, whole numbers without a point."""
    if isinstance(value, dict):
        units = {key.removesuffix("_unit"): word for key, word in value.items() if key.endswith("_unit")}
        return {
            f"{key}_{units[key]}" if units.get(key) else key: _plain(item)
            for key, item in value.items()
            if not key.endswith("_unit")
        }
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, float) and value.is_integer() and abs(value) < _WHOLE_MAX:
        return int(value)
    return value


def _tables(rows: Sequence[Mapping[str, Any]]) -> AoT:
    tables = tomlkit.aot()
    for row in rows:
        tables.append(_table(row))
    return tables


def _table(row: Mapping[str, Any]) -> Item:
    """One table; what is a table inside it stands on one line."""
    table = tomlkit.table()
    for key, value in row.items():
        if isinstance(value, dict):
            inline = tomlkit.inline_table()
            inline.update(value)
            table.add(key, inline)
        else:
            table.add(key, value)
    return table
