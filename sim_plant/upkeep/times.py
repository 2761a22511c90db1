"""The moment of a row, in seconds since 1970 UTC, out of whatever a logger writes."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

from controller.files import InputError
from sim_plant.upkeep.table import Log

_OFFSET = re.compile(r"([+-])(\d\d):(\d\d)")
_FIRST_S, _LAST_S = 631152000.0, 4102444800.0  # 1990 to 2100: outside it a clock is wrong or the format is
Moment = Callable[[str], float]


class NoTimeError(ValueError):
    """A cell that is no moment; the message says why in few words."""


class NoZoneError(ValueError):
    """A time without a zone, and the table states none."""


def reader_of(log: Log) -> Moment:
    """What turns a cell into a moment; InputError when the table's zone or pattern cannot be used."""
    zone = _zone(log.time_zone)
    if log.time_format in ("unix_s", "unix_ms"):
        return lambda cell: _within(_unix(cell, 1000.0 if log.time_format == "unix_ms" else 1.0))
    if log.time_format != "iso" and "%" not in log.time_format:
        raise InputError(
            f'log.time_format = {log.time_format!r}: must be "iso", "unix_s", "unix_ms" or a pattern with %'
        )
    return lambda cell: _within(_written(cell, log.time_format, zone))


def _zone(name: str) -> tzinfo | None:
    if not name:
        return None
    if name.upper() in ("UTC", "Z"):
        return UTC
    found = _OFFSET.fullmatch(name)
    if found:
        minutes = int(found[2]) * 60 + int(found[3])
        if minutes <= 14 * 60:
            return timezone(timedelta(minutes=minutes if found[1] == "+" else -minutes))
    else:
        try:
            return ZoneInfo(name)
        except (ValueError, OSError) as error:  # not known is a KeyError and an OSError by turns
            raise InputError(_no_zone(name)) from error
        except KeyError as error:
            raise InputError(_no_zone(name)) from error
    raise InputError(_no_zone(name))


def _no_zone(name: str) -> str:
    return (
        f'log.time_zone = {name!r}: must be "UTC", an offset as "+02:00", or a known name as "Europe/Lisbon"'
    )


def _unix(cell: str, per_s: float) -> float:
    try:
        return float(cell) / per_s
    except ValueError as error:
        raise NoTimeError("not a number of seconds or milliseconds") from error


def _written(cell: str, pattern: str, zone: tzinfo | None) -> float:
    try:
        at = datetime.fromisoformat(cell) if pattern == "iso" else datetime.strptime(cell, pattern)
    except ValueError as error:
        raise NoTimeError(f"not in the format {pattern}") from error
    if at.tzinfo is not None:
        return at.timestamp()
    if zone is None:
        raise NoZoneError
    first, second = at.replace(tzinfo=zone, fold=0), at.replace(tzinfo=zone, fold=1)
    if first.utcoffset() != second.utcoffset():
        raise NoTimeError("in the hour in which the clocks are changed")
    return first.timestamp()


def _within(moment_s: float) -> float:
    if not (math.isfinite(moment_s) and _FIRST_S <= moment_s <= _LAST_S):
        raise NoTimeError("outside the years 1990 to 2100")
    return moment_s
