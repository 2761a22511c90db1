"""A running controller at the desk: what it shows is what the target tells now, and nothing else."""

from __future__ import annotations

import json
import random
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from desk_samples import deed, order

from controller.modbus.pdu import Code
from controller.modbus.server import ServerThread, serve_tcp
from controller.modbus.troubles import LinkError, not_connected, refused
from controller.panel.form import Row, words
from controller.panel.map import BANK_MAP, BLOCK, UNIT_MAP, Sheet, map_sum
from controller.signals import UNIT_SIGNALS, Kind, names
from controller.tables import Table
from controller.unit.states import UnitState
from sim_plant.desk import live as live_module
from sim_plant.desk.live import LOOK_S, STILL_S, Line, Live, NotMetError, meet
from sim_plant.desk.status import BANK_SPANS, UNIT_SPANS
from sim_plant.desk.wishes import Back, Pause, RefusedError, Save, Wish
from tests.controller.panel.panel_desk import Desk

PLACE = "rack"
NOT_KNOWN = "? not known"
ROWS: dict[str, dict[str, Row[Any]]] = {
    "bank": {row.name: row for row in BANK_MAP},
    "unit": {row.name: row for row in UNIT_MAP},
}


class Target:
    """A firmware that scans while the clock goes, and whose registers a test may spoil."""

    def __init__(self, n_units: int = 2) -> None:
        self.desk = Desk(n_units)
        self.now_s = 100.0
        self.cut: LinkError | None = None
        self.scans = True
        self.spoilt: dict[int, int] = {}
        self.held: dict[int, list[int]] = {}
        self.desk.scan()

    def clock(self) -> float:
        return self.now_s

    def rest(self, seconds: float) -> None:
        self.now_s += seconds
        if self.scans:
            self.desk.scan(round(seconds * 10))

    def read(self, address: int, count: int) -> list[int]:
        if self.cut is not None:
            raise self.cut
        if address // BLOCK in self.held and address % BLOCK == 0:
            return self.held[address // BLOCK]
        registers = list(Sheet.read(self.sheet(), address, count))
        return [self.spoilt.get(address + i, register) for i, register in enumerate(registers)]

    def sheet(self) -> Sheet:
        """The newest, however old it is."""
        assert self.desk.device._newest is not None
        return self.desk.device._newest[0]

    def met(self) -> Live:
        return meet(PLACE, self.read, self.clock, self.rest)

    def spoil(self, scope: str, name: str, value: float, unit: int = 0) -> None:
        """That row reads something else from now on."""
        row = ROWS[scope][name]
        for place, word in enumerate(words(row.form, value)):
            self.spoilt[unit * BLOCK + row.address + place] = word

    def look(self, live: Live, rounds: int = 1) -> dict[str, Any]:
        for _ in range(rounds):
            self.rest(LOOK_S)
            live.look()
        return picture(live)


@pytest.fixture
def target() -> Target:
    return Target()


def picture(live: Live) -> dict[str, Any]:
    shown: dict[str, Any] = json.loads(live.latest.get()[1])
    return shown


def nothing_is_known(shown: dict[str, Any]) -> bool:
    """No state, value, contact, output, alarm or count of the target is in the picture."""
    told = [shown["bank"], *shown["units"]]
    free = {"unit", "state", "code", "words", "why", "values"}
    return (
        shown["broken"] != ""
        and shown["alarms"] is None
        and all(part[key] is None for part in told for key in part if key not in free)
        and all(value == [None, ""] for part in told for value in part["values"].values())
        and all(f"{unit['code']} {unit['words']}" == NOT_KNOWN for unit in shown["units"])
    )


# --- what is shown -------------------------------------------------------------------------------------


def test_units_are_shown_as_the_firmware_has_them(target: Target) -> None:
    live = target.met()
    target.desk.until(UnitState.START_FLUSH)

    shown = target.look(live)

    own = target.desk.controller.picture()
    assert own is not None
    contacts, loops = len(names(UNIT_SIGNALS, Kind.DI)), names(UNIT_SIGNALS, Kind.AI)
    for unit, firmware in zip(shown["units"], own.units, strict=True):
        assert unit["state"] == firmware.state.value
        assert unit["in_state_s"] == int(firmware.in_state_s)
        assert unit["in"] == [int(contact) for contact in firmware.inputs[:contacts]]
        assert unit["out"] == [int(coil) for coil in firmware.outputs]
        assert (unit["starts"], unit["flush_owed"]) == (firmware.starts, firmware.flush_owed)
        for name, (value, quality) in zip(loops, firmware.values, strict=True):
            assert unit["values"][name] == [pytest.approx(value, abs=1e-3), quality.name]
    assert shown["bank"]["wanted"] == own.bank.wanted
    assert shown["broken"] == ""


def test_alarms_are_those_of_the_firmware(target: Target) -> None:
    live = target.met()
    target.desk.driver.units[1]["skid_dry"] = False
    target.desk.driver.bank["sump_ok"] = False
    target.desk.scan(300)

    shown = target.look(live)["alarms"]

    told = [(a["unit"], a["id"], a["state"], a["priority"], a["first_out"]) for a in shown]
    own = target.desk.controller.alarms()
    assert sorted(told) == sorted((a.unit, a.id, a.state.value, a.priority.value, a.first_out) for a in own)
    assert {"skid leak", "drain sump high"} <= {a["id"] for a in shown}


def test_a_loop_that_is_not_believed_has_no_value(target: Target) -> None:
    live = target.met()
    target.desk.driver.units[0]["suction_ma"] = 0.0
    target.desk.scan(100)

    assert target.look(live)["units"][0]["values"]["suction_ma"] == [None, "BAD"]


@pytest.mark.parametrize(
    ("name", "value", "key", "told"),
    [
        ("flags", 0b10, "stale", False),
        ("flags", 0b100, "stopped", True),
        ("flags", 0b1000, "flush_owed", True),
        ("flags", 0b10000, "in_maintenance", True),
        ("cause_gone_s", 61, "cause_gone_s", 61),
        ("in_state_s", 65_535, "in_state_s", None),  # more than the register holds
        ("retry_in_s", 30, "to_go_s", 30),
        ("retry_in_s", 30, "why", "the next try"),
        ("retry_in_s", 65_535, "to_go_s", None),
        ("run_s", 9_000, "run_h", 2.5),
        ("starts", 70_000, "starts", 70_000),
        ("latched", 14, "latched", "high membrane pressure"),
        ("blocked_by", 48, "blocked", "motor must rest before the next start"),
        ("target", 15, "target", "lockout"),
        ("first_out", 2, "first_out", "water on the skid"),
    ],
)
def test_a_register_of_a_unit_is_shown_by_its_meaning(
    target: Target, name: str, value: float, key: str, told: object
) -> None:
    live = target.met()
    target.spoil("unit", name, value, unit=2)

    assert target.look(live)["units"][1][key] == told


@pytest.mark.parametrize(
    ("name", "value", "key", "told"),
    [
        ("flags", 0b100, "full", True),
        ("flags", 0b1000, "latched", ["a cause that the status map does not name"]),
        ("wanted", 2, "wanted", 2),
        ("stage", 4, "stage", "raising the header"),
    ],
)
def test_a_register_of_the_bank_is_shown_by_its_meaning(
    target: Target, name: str, value: float, key: str, told: object
) -> None:
    live = target.met()
    target.spoil("bank", name, value)

    assert target.look(live)["bank"][key] == told


def test_contacts_that_the_controller_itself_cannot_believe_are_not_known(target: Target) -> None:
    live = target.met()
    target.spoil("unit", "flags", 1, unit=2)
    target.spoil("bank", "flags", 1)

    shown = target.look(live)

    assert (shown["bank"]["in"], shown["units"][1]["in"]) == (None, None)
    assert None not in (shown["bank"]["out"], shown["units"][1]["out"], shown["units"][0]["in"])
    assert shown["units"][1]["stale"]


def test_what_the_map_does_not_tell_is_not_made_up(target: Target) -> None:
    live = target.met()
    target.desk.driver.units[0]["skid_dry"] = False
    target.desk.scan(50)
    before = target.met()

    leak = next(a for a in picture(before)["alarms"] if a["id"] == "skid leak")
    assert leak["since_s"] is None  # it came before this page looked
    assert target.look(live)["powered"] is None
    assert picture(live)["units"][1]["why"] == "the status map does not tell why"
    assert (live.about()["limits"], live.about()["setpoints"]) == ({}, {})


def test_an_alarm_that_came_while_the_page_looked_is_dated(target: Target) -> None:
    live = target.met()
    target.desk.driver.units[0]["skid_dry"] = False

    shown = target.look(live, 12)

    leak = next(a for a in shown["alarms"] if a["id"] == "skid leak")
    assert 0 < leak["since_s"] <= shown["t_ms"] / 1000.0


def test_no_request_cuts_a_row_or_is_too_long() -> None:
    for rows, spans in ((BANK_MAP, BANK_SPANS), (UNIT_MAP, UNIT_SPANS)):
        assert all(1 <= count <= 125 for _, count in spans)
        for row in rows:
            inside = [a for a, count in spans if a <= row.address and row.end <= a + count]
            assert len(inside) == 1, row.name


def test_every_wish_is_refused(target: Target) -> None:
    live = target.met()
    wishes: list[Wish] = [
        order("stop", 1),
        deed(operate="bank_run off"),
        Pause(kind="pause", on=True),
        Back(kind="back", to_s=0.0),
        Save(kind="save", title="x", text=""),
    ]

    for wish in wishes:
        with pytest.raises(RefusedError, match="only reads"):
            live.ask(wish)


# --- freshness -----------------------------------------------------------------------------------------


def test_a_first_answer_is_not_believed_before_its_counter_has_moved(target: Target) -> None:
    live = Live(PLACE, 2, target.read, target.clock)
    live.look()
    assert nothing_is_known(picture(live))
    assert "waiting until" in live.trouble

    assert not nothing_is_known(target.look(live))


def test_a_firmware_that_answers_and_does_not_scan_is_not_known(target: Target) -> None:
    live = target.met()
    target.scans = False

    assert not nothing_is_known(target.look(live, int(STILL_S / LOOK_S)))
    shown = target.look(live)

    assert nothing_is_known(shown)
    assert "the bank has stood" in shown["broken"]
    assert "look at the program" in shown["broken"]


def test_one_unit_that_is_told_from_memory_is_found(target: Target) -> None:
    live = target.met()
    target.held[2] = target.read(2 * BLOCK, UNIT_SPANS[0][1])

    shown = target.look(live, int(STILL_S / LOOK_S) + 2)

    assert nothing_is_known(shown)
    assert "unit 2 has stood" in shown["broken"]
    assert "gateway" in shown["broken"]


def test_a_target_that_never_scans_is_not_met(target: Target) -> None:
    target.scans = False

    with pytest.raises(NotMetError, match="rack: it answers, but the scan counter"):
        target.met()


# --- loss ----------------------------------------------------------------------------------------------


def test_a_loss_is_shown_in_the_next_round_and_told_with_where_to_look(target: Target) -> None:
    live = target.met()
    target.cut = not_connected("rack closed the connection: look at the device")

    shown = target.look(live)

    assert nothing_is_known(shown)
    assert shown["broken"] == "! not known: rack closed the connection: look at the device"
    assert shown["journal"][-1][2:] == ["lost", "rack closed the connection: look at the device"]


def test_a_lost_target_comes_back_by_itself(target: Target) -> None:
    live = target.met()
    target.cut = not_connected("gone")
    target.look(live, 3)
    target.cut = None

    assert nothing_is_known(target.look(live))  # its counter has not been seen to move since
    shown = target.look(live)

    assert not nothing_is_known(shown)
    assert [line[2] for line in shown["journal"]] == ["lost", "back"]


def test_after_a_loss_no_alarm_has_a_date(target: Target) -> None:
    live = target.met()
    target.desk.driver.units[0]["skid_dry"] = False
    before = target.look(live, 12)
    assert any(alarm["since_s"] is not None for alarm in before["alarms"])
    target.cut = not_connected("gone")
    target.look(live)
    target.cut = None

    assert {alarm["since_s"] for alarm in target.look(live, 2)["alarms"]} == {None}


def test_exception_04_is_told_as_a_firmware_that_stands(target: Target) -> None:
    live = target.met()
    target.cut = refused(Code.SERVER_DEVICE_FAILURE)

    assert "has shown no scan for 2 s" in target.look(live)["broken"]


def test_a_loss_leaves_a_gap_in_trends_and_strips(target: Target) -> None:
    live = target.met()
    target.look(live, 4)
    target.cut = not_connected("gone")
    lost_s = target.look(live)["t_ms"] / 1000.0
    target.cut = None
    target.look(live, 6)

    rows = live.history(1, 0, 1_000_000, 4000)

    at_loss = rows["t_s"].index(lost_s)
    assert [column[at_loss] for column in rows["unit"].values()] == [None] * len(rows["unit"])
    told = live.about()["states"]
    states = [told[change.code]["words"] for change in rows["changes"] if change.unit == 1]
    assert states.count("not known") == 1
    assert states[-1] != "not known"
    assert [mark.words for mark in rows["marks"]] == ["target lost", "target back"]


def test_a_new_start_of_the_firmware_is_told_and_alarms_lose_their_date(target: Target) -> None:
    live = target.met()
    target.desk.driver.units[0]["skid_dry"] = False
    before = target.look(live, 12)
    assert any(alarm["since_s"] is not None for alarm in before["alarms"])
    target.spoil("bank", "session", 99)

    shown = target.look(live)

    assert shown["journal"][-1][2:] == ["start", "the firmware of the target has started anew"]
    assert {alarm["since_s"] for alarm in shown["alarms"]} == {None}


def test_a_defect_of_our_own_leaves_no_old_picture_standing(target: Target) -> None:
    live = target.met()
    target.held[0] = []  # no request is answered like this; the link would refuse it

    shown = target.look(live)

    assert nothing_is_known(shown)
    assert "this program has failed" in shown["broken"]


# --- who answers ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value", "words_told"),
    [
        ("known", 1.0, "no status map"),
        ("map", map_sum() ^ 1, "look at the versions of both"),
        ("units", 0, "no firmware of this map"),
        ("units", 65, "no firmware of this map"),
        ("session", 0, "no firmware of this map"),
    ],
)
def test_what_is_not_ours_is_not_met(target: Target, name: str, value: float, words_told: str) -> None:
    target.spoil("bank", name, value)

    with pytest.raises(NotMetError, match=words_told):
        target.met()


@pytest.mark.parametrize(
    ("scope", "name", "value"),
    [
        ("bank", "stage", 0),
        ("bank", "tank_level_quality", 4),
        ("bank", "feed warm", 513),  # another priority than the table's
        ("bank", "feed warm", 768),  # present, and normal
        ("unit", "unit", 1),
        ("unit", "state", 0),
        ("unit", "state", 99),
        ("unit", "target", 17),
        ("unit", "latched", 49),
        ("unit", "blocked_by", 1000),
        ("unit", "first_out", 51),
        ("unit", "skid leak", 65_535),
    ],
)
def test_a_number_that_the_map_does_not_have_makes_nothing_known(
    target: Target, scope: str, name: str, value: float
) -> None:
    live = target.met()
    target.spoil(scope, name, value, unit=2 if scope == "unit" else 0)

    shown = target.look(live)

    assert nothing_is_known(shown)
    assert "look at what" in shown["broken"]


def test_another_number_of_units_after_a_loss_is_told(target: Target) -> None:
    live = target.met()
    target.spoil("bank", "units", 1)

    assert "1 units now and had 2" in target.look(live)["broken"]


@pytest.mark.parametrize("seed", range(5))
def test_noise_is_never_shown(seed: int) -> None:
    noise = random.Random(seed)
    target = Target()
    live = target.met()
    for address in (*range(12, 150), *range(BLOCK + 2, BLOCK + 150)):
        target.spoilt[address] = noise.randrange(65_536)

    assert nothing_is_known(target.look(live))


# --- over loopback -------------------------------------------------------------------------------------


class Watched:
    """A device that notes what is asked of it."""

    def __init__(self, target: Target) -> None:
        self.target, self.asked, self.lock = target, set[str](), threading.Lock()

    def read(self, table: Table, address: int, count: int) -> list[int]:
        self.asked.add(f"read {table}")
        with self.lock:
            self.target.rest(0.1)  # a scan between any two requests
            return self.target.read(address, count)

    def write(self, table: Table, _address: int, _values: object, _writer: str) -> None:
        self.asked.add(f"write {table}")


@contextmanager
def served(device: Watched, port: int = 0) -> Iterator[int]:
    with ServerThread() as thread:
        yield thread.start(serve_tcp({1: device}, "127.0.0.1", port)).port


@pytest.fixture
def line_to() -> Iterator[Callable[[int], Line]]:
    lines: list[Line] = []

    def to(port: int) -> Line:
        lines.append(Line("127.0.0.1", port))
        return lines[-1]

    yield to
    for line in lines:
        line.close()


def test_a_target_on_the_line_is_only_read_dies_and_comes_back(
    target: Target, line_to: Callable[[int], Line]
) -> None:
    # given a controller that is served, met and looked at
    device = Watched(target)
    with served(device) as port:
        live = meet(PLACE, line_to(port).read, rest=lambda _: None)
        live.look()
        assert live.trouble == ""

    # when it dies
    live.look()

    # then nothing is known, in words; and it comes back by itself
    assert nothing_is_known(picture(live))
    assert "look at" in live.trouble
    with served(device, port):
        for _ in range(3):
            live.look()
        assert live.trouble == ""

    # and nothing but input registers has been asked for
    assert device.asked == {"read input"}


@pytest.mark.parametrize("answer", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"", b"\x00" * 300])
def test_what_speaks_no_modbus_is_not_met(answer: bytes, line_to: Callable[[int], Line]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            peer, _ = server.accept()
            with peer:
                peer.recv(100)
                peer.sendall(answer)

        thread = threading.Thread(target=serve)
        thread.start()
        with pytest.raises(NotMetError, match="look at"):
            meet(PLACE, line_to(server.getsockname()[1]).read)
        thread.join()


def test_a_target_that_takes_the_call_and_says_nothing_is_not_met(
    line_to: Callable[[int], Line], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live_module, "ANSWER_S", 0.1)
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        pytest.raises(NotMetError, match="nothing came back in time"),
    ):
        meet(PLACE, line_to(server.getsockname()[1]).read)


def test_it_looks_by_itself_and_ends_when_told(target: Target, monkeypatch: pytest.MonkeyPatch) -> None:
    live = target.met()
    monkeypatch.setattr(live_module, "LOOK_S", 0.001)
    before = live.latest.get()[0]
    again = threading.Event()

    def read(address: int, count: int) -> list[int]:
        if live.latest.get()[0] > before + 2:
            again.set()
        return target.read(address, count)

    live._read = read
    live.start()
    assert again.wait(20.0)
    live.stop()

    assert not live._thread.is_alive()
