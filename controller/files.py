"""Files that a person writes: read, and explained in one line when something in them is wrong.

Whatever is unknown, out of range, of the wrong unit or missing is refused with a line that names file, key,
value and limit, and the nearest known key.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

FILE_BYTES_MAX = 1_000_000


class InputError(ValueError):
    """The user's input is at fault; the message is one line for the user."""


def read_toml(path: Path) -> dict[str, Any]:
    """Read one TOML file; InputError when it is missing, too large or not TOML."""
    try:
        with path.open("rb") as file:
            content = file.read(FILE_BYTES_MAX + 1)
    except OSError as error:
        raise InputError(f"{path}: {error.strerror or error}") from error
    if len(content) > FILE_BYTES_MAX:
        raise InputError(f"{path.name}: too large, at most {FILE_BYTES_MAX} bytes")
    try:
        return tomllib.loads(content.decode("utf-8"))
    except RecursionError as error:
        raise InputError(f"{path.name}: not TOML that can be read: brackets nested too deep") from error
    except ValueError as error:  # not TOML, not UTF-8, or a number of thousands of digits
        raise InputError(f"{path.name}: not TOML: {error}") from error


def explain(file: str, error: ValidationError, model: type[BaseModel]) -> str:
    """One line for the first thing that is wrong: file, key, value, limit; and how many more there are.

    An unknown key comes first, because a key that is missing beside it is most often the same slip.
    """
    found = sorted(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    first = found[0]
    key = _key(first["loc"])
    same = [e for e in found if _key(e["loc"]) == key]  # one for each form that the value could have taken
    kind, context = first["type"], first.get("ctx", {})
    if kind == "extra_forbidden":
        text = f"{key} is not a known key{near_key(first['loc'], model)}"
    elif kind == "missing":
        text = f"{key} is missing"
    elif kind == "value_error":
        text = f"{key}: {context.get('error', first['msg'])}" if key else str(context.get("error"))
    else:
        limits = dict.fromkeys(_limit(e["type"], e.get("ctx", {}), e["msg"]) for e in same)
        text = f"{key} = {_short(first['input'])}: {' or '.join(limits)}"
    more = len(found) - len(same)
    return f"{file}: {text}" + (f" (and {more} more)" if more else "")


_FORMS = re.compile(r"bool|int|float|constrained-.*|str-enum.*|literal.*|tuple.*")
"""What the parser adds to a location to say which form of a value it tried; no key of the user's."""


def _key(location: tuple[int | str, ...]) -> str:
    """The place in the file: given.states[1]."""
    forms = (i for i, part in enumerate(location) if isinstance(part, str) and _FORMS.fullmatch(part))
    parts = location[: next(forms, len(location))]
    key = ".".join(part if isinstance(part, str) else f"[{part + 1}]" for part in parts)
    return key.replace(".[", "[")


def _limit(kind: str, context: Mapping[str, Any], message: str) -> str:
    words = {
        "greater_than_equal": ("must be at least", "ge"),
        "greater_than": ("must be more than", "gt"),
        "less_than_equal": ("must be at most", "le"),
        "less_than": ("must be less than", "lt"),
        "finite_number": ("must be a finite number", ""),
        "float_type": ("must be a number", ""),
        "float_parsing": ("must be a number", ""),
        "int_type": ("must be a whole number", ""),
        "int_parsing": ("must be a whole number", ""),
        "int_from_float": ("must be a whole number", ""),
        "bool_type": ("must be true or false", ""),
        "bool_parsing": ("must be true or false", ""),
        "string_type": ("must be text in quotes", ""),
        "tuple_type": ("must be a list", ""),
        "model_type": ("must be a table", ""),
        "too_short": ("number of entries must be at least", "min_length"),
        "string_too_short": ("number of characters must be at least", "min_length"),
        "string_too_long": ("number of characters must be at most", "max_length"),
        "string_pattern_mismatch": (
            "must be small letters, digits, - and _ only",
            "",
        ),
    }
    if kind not in words:
        return message.replace("Input should be", "must be")
    text, name = words[kind]
    if not name:
        return text
    limit = context[name]
    return f"{text} {limit:g}" if isinstance(limit, (int, float)) else f"{text} {limit}"


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def near_key(location: tuple[int | str, ...], model: type[BaseModel]) -> str:
    """The nearest known key beside an unknown one; the unit is part of a key, so say so when it differs."""
    table: Any = model
    for part in location[:-1]:
        if isinstance(part, int):
            continue
        field = getattr(table, "model_fields", {}).get(part)
        table = getattr(field, "annotation", None)
        arguments = getattr(table, "__args__", ())
        table = next((a for a in arguments if hasattr(a, "model_fields")), table)
    known = list(getattr(table, "model_fields", {}))
    wrong = str(location[-1])
    stem = wrong.rsplit("_", 1)[0]
    same = [name for name in known if name.rsplit("_", 1)[0] == stem]
    if same:
        return f": the key is {same[0]}, its unit is part of its name"
    near = difflib.get_close_matches(wrong, known, 1)
    return f": did you mean {near[0]}?" if near else ""
