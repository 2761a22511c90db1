"""What a case says of the shape of a fault reaches the plant, and what fits no such fault is refused."""

from __future__ import annotations

import pytest

from controller.files import InputError
from sim_plant.bench.steps import Injection
from sim_plant.faults import Fault


def test_a_spike_has_the_period_and_width_that_the_case_gives() -> None:
    said = {"target": "suction", "kind": "spike", "value_bar": -1, "period_s": 4, "width_s": 0.5}

    fault = Injection.model_validate(said).fault(2, 6)

    assert fault == Fault("suction", "spike", 2, -1.0, period_s=4.0, width_s=0.5)


def test_a_swap_names_the_other_loop() -> None:
    said = {"target": "suction", "kind": "swapped", "other": "permeate_flow"}

    assert Injection.model_validate(said).fault(2, 6).swapped_with() == "permeate_flow"


@pytest.mark.parametrize(
    "said",
    [
        {"target": "suction", "kind": "stuck_at", "value_bar": 1, "period_s": 4},
        {"target": "suction", "kind": "spike", "value_bar": 1, "other": "membrane"},
        {"target": "suction", "kind": "swapped", "other": "tank_level"},
    ],
)
def test_a_shape_that_fits_no_such_fault_is_refused(said: dict[str, object]) -> None:
    with pytest.raises(InputError, match="suction"):
        Injection.model_validate(said).fault(2, 6)
