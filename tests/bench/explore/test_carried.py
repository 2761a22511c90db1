"""Scans that memories share come to what each memory would come to alone."""

from __future__ import annotations

from collections import Counter

import pytest

from controller.settings import Setpoints
from controller.signals import SAFE_UNIT_OUTPUTS
from controller.unit.states import STATES, Event, Trip
from sim_plant.bench.explore.carried import Family, Noting, Outcome
from sim_plant.bench.explore.compact import CARRIED, Codec
from sim_plant.bench.explore.search import Bound, Order, search
from sim_plant.bench.explore.step import Unit
from tests.bench.explore.small import explored

OTHER = {"trip": Trip.T2, "target": STATES[3], "latched": Event.ESTOP, "start_flushes_due": 2}


def bit(name: str) -> int:
    return 1 << CARRIED.index(name)


@pytest.mark.parametrize("name", CARRIED)
def test_what_is_read_is_noted_and_what_is_written_too(name: str) -> None:
    m = Noting()
    m.forget()

    getattr(m, name)
    assert (m.read, m.written) == (bit(name), 0)

    setattr(m, name, OTHER.get(name, True))
    assert (m.read, m.written) == (bit(name), bit(name))
    assert getattr(m, name) == OTHER.get(name, True)


def test_what_a_scan_has_written_itself_it_may_read_without_depending_on_the_memory() -> None:
    m = Noting()
    m.forget()

    m.stopped = True
    assert m.stopped
    assert m.read == 0


def test_a_scan_that_read_nothing_is_made_once_and_one_that_read_something_for_each_value() -> None:
    codec = Codec(Setpoints())
    place = CARRIED.index("stopped")
    idle, stopped = bytes(len(CARRIED)), bytes(int(n == place) for n in range(len(CARRIED)))
    made: list[str] = []

    def make(scan: str) -> tuple[int, Outcome]:
        made.append(scan)
        read = bit("stopped") if scan == "asks" else 0
        core = bytes((STATES.index(STATES[0]), 0))
        return read, Outcome(core, bytes(len(CARRIED)), 0, SAFE_UNIT_OUTPUTS, STATES[0])

    family = Family(codec)
    for carried in (idle, stopped, idle, stopped):
        found = family.scanned(carried, ("asks", "does not"), make)
        assert [one.memory[-len(CARRIED) :] for one in found] == [carried, carried]
    assert sorted(made) == ["asks", "asks", "does not"]


def alone(unit: Unit, code: bytes) -> list[bytes]:
    """Where every scene that is tried leads, each scanned for this memory."""
    memory, was, _seen = unit.split(code)
    return [unit.edge(code, scene).code for scene in unit.scenes.of(*unit.place(memory, was))]


def test_edges_of_shared_scans_are_those_of_scans_made_for_each_memory() -> None:
    found = explored()
    with found.order.in_ticks():
        sharing, single = found.order.unit(), found.order.unit()
        for code in found.codes[::61]:
            shared = Counter[bytes]()
            for edge in sharing.edges(code):
                if edge.scene is not None:
                    shared[edge.code] += edge.times
            assert shared == Counter(alone(single, code))


def test_what_is_held_is_scanned_alike_shared_or_not() -> None:
    found = search(Order(Setpoints()), bound=Bound(states=2000))
    with found.order.in_ticks():
        unit = found.order.unit()
        for code in found.codes[::41]:
            memory, was, _seen = unit.split(code)
            held = [(granted, names) for granted in (True, False) for names in unit.held_alone(memory, was)]
            shared = unit.held(memory, was, held)
            for (granted, names), one in zip(held, shared, strict=True):
                scene = unit.scenes.standing(granted, names, unit.place(memory, was)[2])
                assert one == unit.scan(memory, scene)
