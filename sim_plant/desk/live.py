"""A controller that runs elsewhere: its status map is read again and again, and nothing is ever written.

What is shown came in the last round, from a firmware whose scan counters move. As soon as that does not hold,
nothing is known any more, and the page says why and where to look.
"""

from __future__ import annotations

import json
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from importlib.metadata import version
from typing import Any

from controller.modbus.link import Link, LinkError, TcpSettings
from controller.panel.device import UNIT_IDS
from controller.panel.form import Row
from controller.panel.map import BANK_MAP, BLOCK, UNIT_MAP
from controller.tables import Table
from controller.unit.states import STATES
from sim_plant.desk.about import about_status
from sim_plant.desk.history import BANK_LOOPS, ROW_MS, UNIT_LOOPS, Change, History, Mark
from sim_plant.desk.picture import JOURNAL_LINES, PICTURE_VERSION
from sim_plant.desk.source import Latest
from sim_plant.desk.status import (
    BANK_SPANS,
    UNIT_SPANS,
    Fields,
    StrangerError,
    check_bank,
    check_unit,
    draw_alarms,
    draw_bank,
    draw_unit,
    fields,
    state_of,
    unknown_bank,
    unknown_unit,
)
from sim_plant.desk.wishes import RefusedError, Wish

LOOK_S = 0.5
ANSWER_S = 1.0  # for one request; a device that is slower is lost
STILL_S = 3.0  # a counter that stands so long is of a firmware that does not scan: a scan is due every 0.2 s
MEET_S = 4.0
_DEVICE_FAILURE = 4

Read = Callable[[int, int], list[int]]
"""Input registers from an address; LinkError when they do not come."""
Answer = dict[str, Any]


class NotMetError(Exception):
    """There is no controller to look at; one sentence."""


class Line:
    """The way to a status port. It can read input registers and nothing else."""

    def __init__(self, host: str, port: int) -> None:
        self._link = Link(TcpSettings(host, port), allow_remote=True)

    def read(self, address: int, count: int) -> list[int]:
        """One request, function 4."""
        return self._link.exchange(UNIT_IDS[0], None, (Table.INPUT, address, count), False, ANSWER_S)

    def close(self) -> None:
        """Let go of the connection."""
        self._link.close()


class Beats:
    """The scan counters of the blocks: fresh is what has been seen to move, and not too long ago."""

    def __init__(self) -> None:
        self._last: dict[int, int] = {}
        self._moved_s: dict[int, float] = {}
        self._since_s: float | None = None

    def forget(self) -> None:
        """The target was lost: a counter must be seen to move again."""
        self._last.clear()
        self._moved_s.clear()
        self._since_s = None

    def standing(self, counters: Sequence[int], now_s: float) -> str:
        """What is wrong with these counters; nothing when all of them move."""
        if self._since_s is None:
            self._since_s = now_s
        for block, counter in enumerate(counters):
            if block in self._last and self._last[block] != counter:
                self._moved_s[block] = now_s
            self._last[block] = counter
        for block in range(len(counters)):
            where = f"unit {block}" if block else "the bank"
            still_s = now_s - self._moved_s.get(block, self._since_s)
            if still_s > STILL_S:
                return (
                    f"it answers, but the scan counter of {where} has stood for {still_s:.0f} s: "
                    "look at the program there, or at a gateway that repeats old answers"
                )
        if len(self._moved_s) < len(counters):
            return "it answers; waiting until its scan counters move"
        return ""


class Live:
    """Looks at a status map; a ``Source``."""

    takes_wishes = False

    def __init__(
        self, place: str, n_units: int, read: Read, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """``place`` is how people call the target."""
        self.latest = Latest()
        self.trouble = "nothing has been read yet"
        self._place, self._n_units, self._read, self._clock = place, n_units, read, clock
        self._about = about_status(place, n_units, version("skidproof"))
        self._history = History(n_units)
        self._beats, self._began_s = Beats(), clock()
        self._session: int | None = None
        self._codes: list[int] = [len(STATES)] * n_units  # the place after all states: not known
        self._alarms: dict[tuple[int, str], tuple[str, float | None]] = {}
        self._was_known = False
        self._row = -1
        self._journal: deque[list[Any]] = deque(maxlen=JOURNAL_LINES)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="live", daemon=True)

    def about(self) -> dict[str, Any]:
        """What does not change."""
        return self._about

    def history(self, unit: int, from_ms: int, to_ms: int, points: int) -> dict[str, Any]:
        """What trends are drawn from."""
        return self._history.read(unit, from_ms, to_ms, points)

    def ask(self, _wish: Wish) -> Future[Answer]:
        """RefusedError, always."""
        raise RefusedError("this is a controller that runs elsewhere: the page only reads it")

    def start(self) -> None:
        """Look again and again."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread and wait for it: one request at most."""
        self._over.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._over.wait(LOOK_S):
            self.look()

    # --- one round -------------------------------------------------------------------------------------

    def look(self) -> None:
        """Read all of it once and show it, or show that it is not known and why."""
        try:
            bank, units = self._read_all()
            now_s = self._clock()
            standing = self._beats.standing([int(block["heartbeat"]) for block in (bank, *units)], now_s)
            shown = None if standing else self._shown(bank, units)
            trouble = standing
        except (LinkError, StrangerError) as error:
            self._beats.forget()
            shown, trouble = None, _why(error)
        except Exception as error:  # a defect here must not leave an old picture standing
            self._beats.forget()
            shown, trouble = None, f"this program has failed at it ({type(error).__name__}: {error})"
        if self._over.is_set():
            return
        t_ms = round((self._clock() - self._began_s) * 1000.0)
        self.trouble = trouble
        if shown is None:
            self._lost(t_ms)
        else:
            self._known(t_ms, int(bank["session"]), units, shown)
        self._show(t_ms, shown)

    def _read_all(self) -> tuple[Fields, list[Fields]]:
        bank = _read_block(self._read, BANK_MAP, BANK_SPANS, 0)
        n_units = check_bank(bank)
        if n_units != self._n_units:
            raise StrangerError(
                f"it has {n_units} units now and had {self._n_units}: end this and start it again"
            )
        units = []
        for number in range(1, n_units + 1):
            if self._over.is_set():
                raise StrangerError("the page ends")
            units.append(_read_block(self._read, UNIT_MAP, UNIT_SPANS, number * BLOCK))
            check_unit(units[-1], number)
        return bank, units

    @staticmethod
    def _shown(bank: Fields, units: Sequence[Fields]) -> dict[str, Any]:
        alarms = draw_alarms(bank, units)
        return {
            "bank": draw_bank(bank),
            "units": [draw_unit(number, unit, alarms) for number, unit in enumerate(units, start=1)],
            "alarms": alarms,
        }

    # --- what is remembered ----------------------------------------------------------------------------

    def _lost(self, t_ms: int) -> None:
        if not self._was_known:
            return
        self._was_known = False
        self._alarms.clear()
        self._tell(t_ms, "lost", self.trouble)
        self._history.add_values(t_ms, [float("nan")] * (len(BANK_LOOPS) + self._n_units * len(UNIT_LOOPS)))
        self._changed(t_ms, [len(STATES)] * self._n_units)

    def _known(self, t_ms: int, session: int, units: Sequence[Fields], shown: dict[str, Any]) -> None:
        if not self._was_known and self._session is not None:
            self._tell(t_ms, "back", "the target answers again")
        if self._session not in (None, session):
            self._tell(t_ms, "start", "the firmware of the target has started anew")
            self._alarms.clear()
            self._was_known = False  # what came meanwhile was not seen
        self._date_alarms(t_ms, shown["alarms"])
        self._session, self._was_known = session, True
        self._changed(t_ms, [STATES.index(state_of(unit)) for unit in units])
        if t_ms // ROW_MS != self._row:
            self._row = t_ms // ROW_MS
            values = [shown["bank"]["values"][name][0] for name in BANK_LOOPS]
            for unit in shown["units"]:
                values.extend(unit["values"][name][0] for name in UNIT_LOOPS)
            self._history.add_values(t_ms, [float("nan") if v is None else v for v in values])

    def _changed(self, t_ms: int, codes: list[int]) -> None:
        for unit, (before, code) in enumerate(zip(self._codes, codes, strict=True), start=1):
            if before != code:
                self._history.changed(Change(t_ms, unit, code))
        self._codes = codes

    def _date_alarms(self, t_ms: int, alarms: Sequence[dict[str, Any]]) -> None:
        """Since when is known only of what changed while this page looked on."""
        before, watched = self._alarms, self._was_known
        self._alarms = {}
        for alarm in alarms:
            key = alarm["unit"], alarm["id"]
            state, since_s = before.get(key, ("", None))
            if state != alarm["state"]:
                since_s = t_ms / 1000.0 if watched else None
            self._alarms[key] = alarm["state"], since_s
            alarm["since_s"] = since_s

    def _tell(self, t_ms: int, kind: str, text: str) -> None:
        self._journal.append([round(t_ms / 1000.0, 1), 0, kind, text])
        self._history.mark(Mark(t_ms, f"target {kind}"))

    def _show(self, t_ms: int, shown: dict[str, Any] | None) -> None:
        nothing = {
            "bank": unknown_bank(),
            "units": [unknown_unit(number) for number in range(1, self._n_units + 1)],
            "alarms": None,
        }
        picture = {
            "version": PICTURE_VERSION,
            "t_ms": t_ms,
            "powered": None,
            **(nothing if shown is None else shown),
            "faults": None,
            "coming": None,
            "journal": list(self._journal),
            "receipts": [],
            "settings": 0,
            "pace": {"speed": 1, "paused": False, "real": 1},
            "broken": f"! not known: {_named(self._place, self.trouble)}" if shown is None else "",
            "busy": "",
        }
        self.latest.put(json.dumps(picture, separators=(",", ":"), allow_nan=False).encode())


def meet(
    place: str,
    read: Read,
    clock: Callable[[], float] = time.monotonic,
    rest: Callable[[float], None] = time.sleep,
) -> Live:
    """A source that has seen its target live; NotMetError when there is none, or none of ours."""
    end_s = clock() + MEET_S
    try:
        live = Live(place, check_bank(_read_block(read, BANK_MAP, BANK_SPANS, 0)), read, clock)
    except (LinkError, StrangerError) as error:
        raise NotMetError(_named(place, _why(error))) from error
    live.look()
    while live.trouble and clock() < end_s:
        rest(LOOK_S)
        live.look()
    if live.trouble:
        raise NotMetError(_named(place, live.trouble))
    return live


def _read_block(read: Read, rows: Sequence[Row[Any]], spans: Sequence[tuple[int, int]], first: int) -> Fields:
    registers = [0] * max(row.end for row in rows)
    for address, count in spans:
        registers[address : address + count] = read(first + address, count)
    return fields(rows, registers)


def _named(place: str, text: str) -> str:
    return text if text.startswith(place) else f"{place}: {text}"


def _why(error: Exception) -> str:
    if isinstance(error, LinkError) and error.code == _DEVICE_FAILURE:
        return (
            "it answers, but its firmware has shown no scan for 2 s (exception 04): look at the program there"
        )
    return str(error)
