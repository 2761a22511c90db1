"""Numbers of a case that follow the site: ``"= start_flush_s - 2"`` in place of 118.

Four operations, brackets, ``min`` and ``max``; the names are those of setpoints, ``units``, and the values of
the simulated plant as ``plant.tank.volume_m3``. What comes out is a plain number before the case is checked.
"""

from __future__ import annotations

import ast
import difflib
import math
import operator
from collections.abc import Callable
from typing import Any

from controller.files import InputError
from controller.settings import Setpoints
from sim_plant.site import Site

SIGN = "="
DIGITS = 6  # so that 0.1 + 0.2 is 0.3
_LONGEST = 300  # characters
_TWO: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}
_CHOICES: dict[str, Callable[[list[float]], float]] = {"min": min, "max": max}


def reckoned(data: Any, site: Site, file: str) -> Any:
    """Plain data with a number in place of every sum; InputError, which names ``file``, for a wrong one."""
    if isinstance(data, dict):
        return {key: reckoned(value, site, file) for key, value in data.items()}
    if isinstance(data, list):
        return [reckoned(value, site, file) for value in data]
    if isinstance(data, str) and data.startswith(SIGN):
        return _number(data, site, file)
    return data


def _number(text: str, site: Site, file: str) -> float | int:
    try:
        if len(text) > _LONGEST:
            raise ValueError(f"longer than {_LONGEST} characters")
        value = round(_value(ast.parse(text[len(SIGN) :].strip(), mode="eval").body, site), DIGITS)
        if not math.isfinite(value):
            raise ValueError("is no number")
    except (SyntaxError, ZeroDivisionError, OverflowError) as error:
        raise InputError(f"{file}: {text!r}: cannot be reckoned") from error
    except ValueError as error:
        raise InputError(f"{file}: {text!r}: {error}") from error
    return int(value) if value.is_integer() else value


def _value(node: ast.expr, site: Site) -> float:
    match node:
        case ast.Constant(value=int() | float() as value) if not isinstance(value, bool):
            return float(value)
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            return -_value(operand, site)
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _TWO:
            return _TWO[type(op)](_value(left, site), _value(right, site))
        case ast.Call(func=ast.Name(id=name), args=[_, *_] as args, keywords=[]) if name in _CHOICES:
            return _CHOICES[name]([_value(arg, site) for arg in args])
        case ast.Name() | ast.Attribute():
            return _named(ast.unparse(node), site)
    raise ValueError(f"{ast.unparse(node)} is not for a case: names, numbers, + - * /, min and max are")


def _named(name: str, site: Site) -> float:
    """A setpoint, the number of units or a value of the plant."""
    if name == "units":
        return float(site.units)
    if name in Setpoints.model_fields:
        return float(getattr(site.setpoints, name))
    plant = {
        f"plant.{table}.{key}": value
        for table, values in site.file.plant.model_dump().items()
        for key, value in values.items()
        if isinstance(value, (int, float))
    }
    if name in plant:
        return float(plant[name])
    near = difflib.get_close_matches(name, [*Setpoints.model_fields, *plant, "units"], 1)
    raise ValueError(f"{name} is no setpoint{f'; near: {near[0]}' if near else ''}")
