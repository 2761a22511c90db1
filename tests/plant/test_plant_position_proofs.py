"""The closed proof of a valve makes when the valve has travelled shut, whatever the command says."""

from __future__ import annotations

import pytest

from controller.signals import safe_outputs
from sim_plant.faults import Fault
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters


def after(plant: Plant, seconds: float, **driven: bool) -> tuple[bool, bool]:
    """Both closed proofs of unit 1 after so long with these outputs."""
    image = safe_outputs(1)
    image = image._replace(units=(image.units[0]._replace(**driven),))
    for _ in range(round(seconds * 10)):
        plant.step(image, 100)
    unit = plant.inputs().units[0]
    return unit.feed_valve_shut, unit.flush_valve_shut


def test_both_valves_are_proven_shut_at_rest() -> None:
    assert after(Plant(1, PlantParameters()), 1) == (True, True)


def test_a_proof_leaves_as_soon_as_its_valve_moves() -> None:
    assert after(Plant(1, PlantParameters()), 0.5, feed_valve=True) == (False, True)


@pytest.mark.parametrize(("waited_s", "proven"), [(1.5, False), (4.0, True)])
def test_a_proof_comes_only_at_the_end_of_the_travel(waited_s: float, proven: bool) -> None:
    plant = Plant(1, PlantParameters())
    after(plant, 10, feed_valve=True)

    assert after(plant, waited_s)[0] is proven


def test_a_valve_stuck_open_is_never_proven_shut() -> None:
    plant = Plant(1, PlantParameters())
    plant.inject(Fault("flush_valve", "stuck_open", 1))

    assert after(plant, 30)[1] is False


def test_without_control_supply_nothing_is_proven() -> None:
    plant = Plant(1, PlantParameters())
    plant.set_power(False)

    assert after(plant, 1) == (False, False)
