"""Failing cells seen again: which ones, what comes back, and that the reduced case fails alike."""

from __future__ import annotations

import re
import tomllib

from campaign_samples import SEED, LosingHands, cell, order, pair

from controller.firmware import Controller
from controller.signals import Inputs, Outputs
from controller.unit.states import UnitState
from sim_plant.bench.campaign.closer import Look, first_of_each_kind, look_closer, worth_a_look
from sim_plant.bench.campaign.figures import Failure
from sim_plant.bench.campaign.hands import Here
from sim_plant.bench.cases import Run, build_case
from sim_plant.bench.runner import Workshop
from sim_plant.bench.targets import find_factory
from sim_plant.bench.verdicts import Verdict


class DeafToFloat(Controller):
    """Never learns that the tank is overfull."""

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        return super().scan(inputs._replace(bank=inputs.bank._replace(tank_not_overfull=True)), now_ms)


DEAF = f"{DeafToFloat.__module__}:DeafToFloat"
FLOAT_CUT = cell("F23", UnitState.PRODUCE, way=21)  # the wire of the high-high float


def failure(key: str, *broken: str, error: str = "") -> Failure:
    return Failure(key, "", broken, error)


def test_of_many_failures_each_kind_is_looked_at_first() -> None:
    found = [failure(f"F01/{n}", "SR-04") for n in range(3)]
    found += [failure("F02/0", "SR-04"), failure("F01/9", "SR-05"), failure("F01/8", error="crash")]
    keys = [f.key for f in worth_a_look(found, most=5)]
    assert keys == ["F01/0", "F02/0", "F01/9", "F01/8", "F01/1"]
    assert [f.key for f in first_of_each_kind(found)] == ["F01/0", "F02/0", "F01/9", "F01/8"]


def test_a_failing_cell_comes_back_with_its_picture_and_a_smaller_case_that_fails_alike() -> None:
    (look,) = list(look_closer(order(30.0, DEAF), [FLOAT_CUT], Here(), shrinking=True))

    assert look.result is not None
    assert look.result.trace is None
    assert [f.name for f in look.result.requirements if f.verdict is Verdict.FAIL] == ["SR-28"]
    assert re.search(r"FAIL[^<]* SR-28", look.picture)
    assert "fails at SR-28" in look.note
    smaller = build_case("shrunk", tomllib.loads(look.shrunk), pair())
    assert smaller.run.for_s < 30.0
    workshop = Workshop(pair(), find_factory(DEAF), SEED)
    again = workshop.carry_out(Run("again", "shrunk", smaller, UnitState.PRODUCE, ""))
    assert "SR-28" in [f.name for f in again.requirements if f.verdict is Verdict.FAIL]


def test_without_shrinking_there_is_the_picture_alone() -> None:
    (look,) = list(look_closer(order(30.0, DEAF), [FLOAT_CUT], Here(), shrinking=False))
    assert (look.shrunk, look.note) == ("", "")
    assert look.picture.startswith("<svg")


def test_a_cell_that_does_not_fail_again_says_so() -> None:
    (look,) = list(look_closer(order(30.0), [FLOAT_CUT], Here(), shrinking=True))
    assert look.shrunk == ""
    assert "does not fail again" in look.note


def test_a_cell_whose_worker_is_lost_costs_only_its_picture() -> None:
    hands = LosingHands({"F23": 99})
    (look,) = list(look_closer(order(), [FLOAT_CUT], hands, shrinking=False))
    assert look == Look(FLOAT_CUT, None, note="its worker was lost three times")
