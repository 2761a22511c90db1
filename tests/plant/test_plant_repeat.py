"""Same seed, same bytes: snapshots, repeats, and the plain-Python twin of the compiled step."""

from __future__ import annotations

import copy
import os
import pickle
import subprocess
import sys

import numpy as np
import pytest

from sim_plant.faults import Fault
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters


def some_life(rig):
    rig.plant.inject(Fault("membrane", "noise", 1, 3.0))
    rig.plant.inject(Fault("suction", "drift", 1, -0.1))
    rig.hold("idle", 5).hold("flush", 20).hold("settle", 5).hold("produce", 20)


def state(rig):
    return pickle.dumps((rig.plant.inputs(), rig.plant.unit_truth.tobytes(), rig.plant.bank_truth.tobytes()))


def test_restore_continues_bit_for_bit(make_rig):
    rig = make_rig(3)
    some_life(rig)
    rig.plant.operate("feed_hand_valve", 2, False)
    kept, t_ms = pickle.loads(pickle.dumps(rig.plant.snapshot())), rig.t_ms
    first = state(rig.hold("purge", 20).hold("idle", 20))
    rig.plant.inject(Fault("pump", "locked", 1))
    rig.plant.set_power(False)
    rig.hold("produce", 10)
    rig.plant.restore(kept)
    rig.t_ms = t_ms
    assert state(rig.hold("purge", 20).hold("idle", 20)) == first


def test_a_snapshot_carries_faults_and_lost_io_to_another_plant(make_rig):
    one, two = make_rig(2), make_rig(2)
    some_life(one)
    one.plant.inject(Fault("unit_io", "lost", 2))
    one.hold("produce", 1)
    two.plant.restore(one.plant.snapshot())
    two.t_ms = one.t_ms
    assert two.plant.active() == one.plant.active()
    assert state(one.hold("purge", 5)) == state(two.hold("purge", 5))
    assert two.plant.inputs().unit_age_ms == (0, 6000)


@pytest.mark.parametrize("copied", [copy.deepcopy, lambda plant: pickle.loads(pickle.dumps(plant))])
def test_a_copy_lives_on_by_itself(make_rig, copied):
    rig = make_rig(2)
    some_life(rig)
    other = make_rig(2)
    other.plant, other.t_ms = copied(rig.plant), rig.t_ms
    before = state(rig)
    after = state(other.hold("purge", 10))
    assert state(rig) == before
    assert state(rig.hold("purge", 10)) == after


def test_looking_changes_nothing(make_rig):
    rig = make_rig()
    some_life(rig)
    before = state(rig)
    for _ in range(3):
        rig.plant.inputs()
        rig.plant.operate("bank_run", 0, True)
    assert state(rig) == before


def test_same_seed_same_bytes_other_seed_other_noise(make_rig):
    rigs = [make_rig(2, seed=seed) for seed in (5, 5, 6)]
    for rig in rigs:
        some_life(rig)
    assert state(rigs[0]) == state(rigs[1])
    assert rigs[0].plant.inputs() != rigs[2].plant.inputs()
    assert (rigs[0].plant.unit_truth == rigs[2].plant.unit_truth).all()


def test_a_snapshot_of_another_plant_is_refused():
    with pytest.raises(ValueError, match="plant of 2 units"):
        Plant(2, PlantParameters()).restore(Plant(3, PlantParameters()).snapshot())


TWIN = """
import sys
sys.path.insert(0, {tests!r})
from conftest import Rig
from sim_plant.faults import Fault
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
import numpy as np
profile = ((0, 3000.0), (1, 4000.0))
parameters = PlantParameters.model_validate(
    {{
        "source": {{"tds_profile_h_mgl": profile}},
        "scaling": {{"induction_s": 1.0, "feed_saturation_ratio": 5.0}},
    }}
)
rig = Rig(Plant(2, parameters, 9))
rig.plant.inject(Fault("membrane", "noise", 1, 3.0))
for what, seconds in (("idle", 3), ("flush", 5), ("settle", 4), ("produce", 8), ("purge", 4), ("idle", 4)):
    rig.hold(what, seconds)
rig.plant.inject(Fault("product_header", "shut"))
rig.hold("produce", 5, 500)
rig.plant.inject(Fault("source", "dry"))
rig.hold("produce", 5)
rig.plant.clear(Fault("source", "dry"))
for fault in (
    Fault("booster", "hunting", 0, 5.0), Fault("source", "decline", 0, 60.0), Fault("supply", "phase_lost"),
    Fault("suction", "spike", 1, -1.0), Fault("permeate_flow", "swapped", 2),
    Fault("membrane", "quantised", 2, 0.5), Fault("feed_header", "hammer", 0, 8.0),
    Fault("permeate_check_valve", "leak", 1, 0.1), Fault("dosing", "siphoning", 0, 500.0),
    Fault("membrane", "scaled", 1, 0.2), Fault("supply", "sag", 0, 80.0),
):
    rig.plant.inject(fault)
    rig.hold("produce", 0.5)
rig.plant.inject(Fault("supply", "interrupted", 0, 0.3))
rig.hold("purge", 1)
numbers = np.concatenate([rig.plant.snapshot().numbers, rig.plant.snapshot().contacts])
sys.stdout.buffer.write(numbers.tobytes())
"""


def test_the_compiled_step_equals_its_plain_twin(request):
    """The same source without the compiler (NUMBA_DISABLE_JIT) is the oracle of the compiled one."""
    code = TWIN.format(tests=str(request.path.parent))

    def run(plain):
        environment = {**os.environ, "NUMBA_DISABLE_JIT": plain, "PYTHONPATH": os.pathsep.join(sys.path)}
        done = subprocess.run(
            [sys.executable, "-c", code], env=environment, capture_output=True, check=True, timeout=120
        )
        return np.frombuffer(done.stdout)

    plain, fast = run("1"), run("0")
    assert plain.size > 300
    np.testing.assert_allclose(fast, plain, rtol=1e-9, atol=1e-12)
