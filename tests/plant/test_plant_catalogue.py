"""All 94 lines of the fault catalogue: injected and felt, or said where they belong."""

from __future__ import annotations

import numpy as np
import pytest

from sim_plant.catalogue import CATALOGUE, CONTROLLER, MODBUS, PEOPLE, PLANT, lines_of
from sim_plant.faults import FAULTS, UnsupportedFault, check, faults_of

INJECTED = [name for name, line in CATALOGUE.items() if line.ways]
ELSEWHERE = [name for name, line in CATALOGUE.items() if not line.ways]
WAYS = [(name, way) for name in INJECTED for way in range(len(CATALOGUE[name].ways))]
FROM_THE_START = ("F33", "F34", "F35", "F36", "F57")  # what is felt at a start, not while running
CLOSED_AS_EVER = [("F22", way) for way in range(len(CATALOGUE["F22"].ways))]  # a weld hides what never came


def test_every_line_from_1_to_94_is_there():
    assert list(CATALOGUE) == [f"F{n:02d}" for n in range(1, 95)]


@pytest.mark.parametrize("name", ELSEWHERE)
def test_a_line_that_is_not_the_plants_says_whose_it_is_and_is_refused(name):
    line = CATALOGUE[name]
    assert line.belongs_to in (MODBUS, PEOPLE, CONTROLLER)
    with pytest.raises(UnsupportedFault, match=f"{name} .* belongs to {line.belongs_to}"):
        faults_of(name)


@pytest.mark.parametrize(("name", "way"), WAYS)
def test_every_way_is_in_the_vocabulary_at_every_severity(name, way):
    assert CATALOGUE[name].belongs_to == PLANT
    for severity in (0.0, 0.5, 1.0):
        for fault in faults_of(name, 2, severity, way):
            assert name in check(fault, 2).ids
            assert fault.unit == (2 if FAULTS[fault.target, fault.kind].per_unit else 0)


def life(rig, name=None, way=0):
    """Flush, start, run, purge, stop; every tenth of a second what was seen and what was true."""
    rows = []

    def watch(what, seconds):
        for _ in range(round(seconds * 10)):
            rig.hold(what, 0.1)
            image = rig.plant.inputs()
            seen = [*image.bank, *image.units[0], *image.units[1], *image.unit_age_ms]
            rows.append([*map(float, seen), *rig.plant.unit_truth.ravel(), *rig.plant.bank_truth])

    def strike():
        if name is not None:
            rig.plant.inject_id(name, 2, 1.0, way)

    if name in FROM_THE_START:
        strike()
    watch("idle", 3)
    rig.hold("flush", 20).hold("settle", 5)
    watch("produce", 20)
    if name not in FROM_THE_START:
        strike()
    watch("produce", 15)
    watch("purge", 10)
    watch("idle", 20)
    watch("flush", 5)
    rig.plant.operate("reset_button", 0, True)
    watch("idle", 0.5)
    return np.array(rows)


@pytest.fixture(scope="module")
def healthy():
    return {}


@pytest.mark.parametrize(("name", "way"), [x for x in WAYS if x not in CLOSED_AS_EVER])
def test_every_line_of_the_plant_is_felt_by_an_instrument_or_in_the_truth(make_rig, healthy, name, way):
    """Given the same life, healthy and struck at unit 2, something differs by more than 1e-4 of itself.

    Both lives have the same noise, so the smallest difference is the fault's.
    """
    if not healthy:
        healthy["rows"] = life(make_rig(2, regulated=False))
    struck = life(make_rig(2, regulated=False), name, way)
    scale = np.maximum(abs(healthy["rows"]).max(axis=0), 1e-9)
    assert (abs(struck - healthy["rows"]) / scale).max() > 1e-4


@pytest.mark.parametrize("way", [way for _name, way in CLOSED_AS_EVER])
def test_a_weld_is_felt_once_its_wire_is_cut(make_rig, way):
    rig = make_rig(2).hold("idle", 1)
    (cut,), (weld,) = faults_of("F23", 2, way=way), faults_of("F22", 2, way=way)
    assert cut.target == weld.target
    rig.plant.inject(cut)
    assert rig.reads(cut.target, cut.unit) == 0.0
    rig.plant.inject(weld)
    assert rig.reads(cut.target, cut.unit) == 1.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (("F95",), "no line 'F95'"),
        (("F41", 1, 1.5), "severity = 1.5 must lie in 0 to 1"),
        (("F41", 1, 0.5, 1), "way = 1 must lie in 0 to 0"),
    ],
)
def test_a_line_severity_or_way_that_does_not_exist_is_refused(call, words):
    with pytest.raises(UnsupportedFault, match=words):
        faults_of(*call)


def test_severity_runs_from_mild_to_severe():
    values = [faults_of("F41", 1, severity)[0].value for severity in (0.0, 0.5, 1.0)]
    assert values == [2.0, 6.0, 10.0]


def test_lines_may_strike_together(make_rig):
    rig = make_rig(2).hold("idle", 1)
    rig.plant.inject_id("F02", 2)
    rig.plant.inject_id("F47", severity=1.0)
    assert [str(f) for f in rig.plant.active()][-2:] == [
        "suction stuck_at 2.5 of unit 2",
        "feed_header dip 0.2",
    ]


def test_every_fault_but_a_few_serves_a_line():
    """What is in the vocabulary beyond the catalogue is named here."""
    beyond = {pair for pair in FAULTS if not lines_of(*pair) and pair[0] + "_ma" not in LOOPS}
    assert beyond == {("booster", "slow_drive"), ("skid", "leak"), ("floor", "leak")}


LOOPS = {f"{target}_ma" for target, kind in FAULTS if kind == "gain"}
