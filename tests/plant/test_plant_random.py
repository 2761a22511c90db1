"""Plants, profiles, outputs and faults that nobody would draw up: the numbers stay numbers.

Every plant of ``PLANTS`` has its own seed, so a failure names the plant that shows it. Drawn are the
parameters (often at the very edge of their range), the number of units, the outputs, their rhythm and
step, the faults, and what people do. The whole file takes well under 90 s on one core.
"""

from __future__ import annotations

import math

import annotated_types
import numpy as np
import pytest
from pydantic import ValidationError

from controller.signals import BankOutputs, Outputs, UnitOutputs
from sim_plant.faults import FAULTS, Fault, UnsupportedFault
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters
from sim_plant.truth import BANK_TRUTH, UNIT_TRUTH

PLANTS, BATCH = 2000, 50
UNITS = (1, 1, 1, 2, 3, 6, 8, 24, 64)
NAN, INF = math.nan, math.inf
FLOWS = [UNIT_TRUTH.index(name) for name in ("feed_m3h", "permeate_m3h", "concentrate_m3h")]
SALTS = [UNIT_TRUTH.index(name) for name in ("permeate_tds_mgl", "tail_tds_mgl")]
PRESSURES = [UNIT_TRUTH.index(name) for name in ("suction_bar", "membrane_bar")]
TRAVELS = [UNIT_TRUTH.index(name) for name in ("feed_valve_open", "flush_valve_open")]
NEVER_NEGATIVE = (
    "drain_m3h", "product_m3h", "demand_m3h", "overflow_m3", "product_tds_mgl", "feed_tds_mgl", "dose_ml",
)  # fmt: skip
BANK_AMOUNTS = [BANK_TRUTH.index(name) for name in NEVER_NEGATIVE]
TANK = BANK_TRUTH.index("tank_pct")


# --- drawing -----------------------------------------------------------------------------------------


def bounds(field):
    """(least, greatest) that a field takes, or None where it has no bounds; open ends move in a little."""
    low = high = None
    for limit in field.metadata:
        match limit:
            case annotated_types.Ge(ge):
                low = ge
            case annotated_types.Gt(gt):
                low = gt + 1e-3 * (abs(gt) or 1.0)
            case annotated_types.Le(le):
                high = le
            case annotated_types.Lt(lt):
                high = lt - 1e-3 * (abs(lt) or 1.0)
    return None if low is None or high is None else (low, high)


def numbers(table):
    """Bounds of the numbers of one table of the parameters, by their names."""
    fields = table.model_fields.items()
    return {key: bounds(field) for key, field in fields if field.annotation in (int, float)}


TABLES = {name: numbers(field.annotation) for name, field in PlantParameters.model_fields.items()}


def amount(rng, low, high):
    """A value of the range: its ends now and then, else evenly or over the decades."""
    kind = rng.integers(6)
    if kind == 0:
        return low
    if kind == 1:
        return high
    if kind < 4 and high > 0:
        least = max(low, high * 1e-5)
        return float(np.exp(rng.uniform(np.log(least), np.log(high))))
    return float(rng.uniform(low, high))


def random_profile(rng, high):
    hours = sorted(rng.choice(np.arange(0, 24, 0.25), rng.integers(1, 5), replace=False).tolist())
    return tuple((hour, float(rng.uniform(1, high))) for hour in hours)


def random_parameters(rng):
    """Parameters that agree with each other; a share of the fields is moved, the more the bolder."""
    while True:
        share, values = rng.choice([0.05, 0.2, 0.5]), {}
        for table, fields in TABLES.items():
            values[table] = {key: amount(rng, *b) for key, b in fields.items() if rng.random() < share}
        values["unit"]["cells"] = int(rng.integers(3, 9))
        if rng.random() < 0.2:
            values["source"]["tds_profile_h_mgl"] = random_profile(rng, 20000)
            values["source"]["temperature_profile_h_degc"] = random_profile(rng, 50)
            values["tank"]["demand_profile_h_m3h"] = random_profile(rng, 1000)
        try:
            return PlantParameters(**values)
        except ValidationError:
            continue  # a pair that contradicts itself, such as a pump without fall


def random_outputs(rng, n_units):
    def unit():
        return UnitOutputs(*(bool(x) for x in rng.random(6) < rng.choice([0.1, 0.5, 0.9])))

    bank = BankOutputs(
        *(bool(x) for x in rng.random(3) < 0.8), False, bool(rng.random() < 0.1),
        float(rng.uniform(0, 24)), float(rng.uniform(0, 24)),
    )  # fmt: skip
    units = (unit(),) * n_units if rng.random() < 0.5 else tuple(unit() for _ in range(n_units))
    return Outputs(bank, units)


PAIRS = sorted(FAULTS)


def random_fault(rng, n_units):
    target, kind = PAIRS[rng.integers(len(PAIRS))]
    spec = FAULTS[target, kind]
    unit = int(rng.integers(1, n_units + 1)) if spec.per_unit else 0
    return Fault(target, kind, unit, amount(rng, spec.lo, spec.hi) if spec.value_unit else None)


def people(rng, plant):
    """Somebody does something."""
    act = rng.integers(6)
    if act == 0:
        plant.set_power(bool(rng.random() < 0.7))
    elif act == 1:
        plant.set_tank_pct(float(rng.choice([0.0, 100.0, rng.uniform(0, 100)])))
    elif act == 2:
        plant.set_demand_m3h(float(rng.choice([0.0, 1e5, rng.uniform(0, 100)])))
    elif act == 3:
        switch = ("selector_auto", "isolator_on", "feed_hand_valve")[rng.integers(3)]
        plant.operate(switch, int(rng.integers(1, plant.n_units + 1)), bool(rng.random() < 0.5))
    elif act == 4:
        switch = ("reset_button", "bank_run", "estop_healthy", "product_valve")[rng.integers(4)]
        plant.operate(switch, 0, bool(rng.random() < 0.7))
    elif plant.active():
        plant.clear(plant.active()[rng.integers(len(plant.active()))])


# --- judging -----------------------------------------------------------------------------------------


def judge(plant):
    """What must hold for every plant at any time."""
    unit, bank, level = plant.unit_truth, plant.bank_truth, plant.bank_truth[TANK]
    assert np.isfinite(plant._a.u).all()
    assert np.isfinite(plant._a.b).all()
    assert np.isfinite(unit).all()
    assert np.isfinite(bank).all()
    assert (unit[:, SALTS] >= 0).all(), "concentrations"
    assert (unit[:, FLOWS] >= 0).all(), "flows"
    assert (unit[:, PRESSURES] > -1.02).all(), "vacuum is -1.013 bar"
    assert ((unit[:, TRAVELS] >= 0) & (unit[:, TRAVELS] <= 1)).all(), "travels"
    assert (bank[BANK_AMOUNTS] >= 0).all(), "amounts of the bank"
    assert 0 <= level <= 100 + 1e-9
    assert ((plant._a.ma >= 0) & (plant._a.ma <= 24)).all(), "currents"


def judge_water(plant, before):
    """In - out - stored is rounding against all the water that moved or stands."""
    after = plant.water_balance_m3()
    gap = (after[0] - before[0]) - (after[1] - before[1]) - (after[2] - before[2])
    assert abs(gap) <= 1e-9 * (1 + abs(after[0]) + abs(after[1]) + abs(after[2]))


def live(rng, n_units):
    """One plant from its first step to its last."""
    plant = Plant(n_units, random_parameters(rng), int(rng.integers(2**32)))
    water, outputs = plant.water_balance_m3(), random_outputs(rng, n_units)
    tampered = False
    dt_ms = int(rng.choice([1, 20, 100, 100, 100, 500]))
    for k in range(60 if n_units < 10 else 25):
        if rng.random() < 0.15:
            outputs = random_outputs(rng, n_units)
        if rng.random() < 0.1:
            plant.inject(random_fault(rng, n_units))
        if rng.random() < 0.1:
            before = plant.bank_truth[TANK]
            people(rng, plant)
            tampered |= before != plant.bank_truth[TANK]
        if rng.random() < 0.05:
            dt_ms = int(rng.choice([1, 7, 100, 250, 500]))
        image = outputs._replace(bank=outputs.bank._replace(watchdog=k * dt_ms // 500 % 2 == 1))
        plant.step(image, dt_ms)
        judge(plant)
    if not tampered:  # setting a level by hand makes or takes water
        judge_water(plant, water)


@pytest.mark.parametrize("batch", range(PLANTS // BATCH))
def test_whatever_the_plant_and_whatever_is_done_to_it_its_numbers_stay_in_bounds(batch):
    for seed in range(batch * BATCH, (batch + 1) * BATCH):
        rng = np.random.default_rng(seed)
        try:
            live(rng, int(rng.choice(UNITS)))
        except AssertionError as error:
            pytest.fail(f"plant of seed {seed}: {error}")


# --- named extremes ------------------------------------------------------------------------------------

SHUT = UnitOutputs(False, False, False, False, True, False)
PUMPING = SHUT._replace(pump=True, enable=True)
OPEN = UnitOutputs(True, True, True, True, True, False)
EXTREMES = {
    "all valves shut": (SHUT, ()),
    "pumps against shut valves": (PUMPING, ()),
    "everything open": (OPEN, ()),
    "no flow, all hand valves and restrictors shut": (OPEN, (Fault("restrictor", "plugged", 1, 1.0),)),
    "empty source": (OPEN, (Fault("source", "dry"),)),
    "header held at nothing": (OPEN, (Fault("feed_header", "dip", 0, 0.0),)),
    "header reading frozen": (OPEN, (Fault("header", "stuck"),)),
    "water near the ice point": (OPEN, (Fault("source", "temperature", 0, 1.0),)),
    "feed without salt": (OPEN, (Fault("source", "tds", 0, 0.0),)),
    "drain blocked": (OPEN, (Fault("drain", "blocked", 0, 0.0),)),
    "product shut": (OPEN, (Fault("product_header", "shut"),)),
    "membranes all but gone": (OPEN, (Fault("membrane", "torn_oring", 1, 20.0),)),
}  # fmt: skip


@pytest.mark.parametrize("n_units", [1, 64])
@pytest.mark.parametrize("what", EXTREMES)
def test_extremes_with_one_unit_and_with_sixty_four(n_units, what):
    unit, faults = EXTREMES[what]
    plant = Plant(n_units, PlantParameters())
    for fault in faults:
        for number in range(1, n_units + 1) if fault.unit else (0,):
            plant.inject(Fault(fault.target, fault.kind, number, fault.value))
            if fault.target == "restrictor":
                plant.operate("feed_hand_valve", number, False)
    water = plant.water_balance_m3()
    for k in range(300):
        bank = BankOutputs(True, True, True, k // 5 % 2 == 1, False, 20.0, 20.0)
        plant.step(Outputs(bank, (unit,) * n_units), 100)
        judge(plant)
    judge_water(plant, water)


# --- what is no number -----------------------------------------------------------------------------

FIELDS = [(table, key, *b) for table, fields in TABLES.items() for key, b in fields.items()]


@pytest.mark.parametrize(("table", "key", "low", "high"), FIELDS, ids=str)
def test_a_parameter_that_is_no_number_or_out_of_range_is_refused(table, key, low, high):
    for value in (NAN, INF, -INF, low - 0.01 * (high - low) - 1e-2, high * 1.01 + 1e-2):
        with pytest.raises(ValidationError):
            PlantParameters(**{table: {key: value}})


@pytest.mark.parametrize("pair", [pair for pair in PAIRS if FAULTS[pair].value_unit], ids=" ".join)
def test_a_fault_that_is_no_number_or_out_of_range_is_refused(pair):
    spec, plant = FAULTS[pair], Plant(1, PlantParameters())
    for value in (NAN, INF, -INF, spec.lo - 1, spec.hi + 1):
        with pytest.raises(UnsupportedFault):
            plant.inject(Fault(*pair, int(spec.per_unit), value))
    assert plant.active() == ()


@pytest.mark.parametrize("value", [NAN, INF, -INF, -1.0])
def test_a_demand_a_level_and_a_step_that_are_no_number_are_refused(value):
    plant = Plant(1, PlantParameters())
    for refused in (
        lambda: plant.set_demand_m3h(value),
        lambda: plant.set_tank_pct(value),
        lambda: plant.step(Outputs(BankOutputs(*[False] * 5, 4.0, 4.0), (SHUT,)), value),
    ):
        with pytest.raises(ValueError, match="must lie"):
            refused()
    judge(plant)


@pytest.mark.parametrize("ma", [NAN, INF, -INF])
def test_a_current_command_that_is_no_number_is_refused(ma):
    plant = Plant(2, PlantParameters())
    with pytest.raises(ValueError, match="finite"):
        plant.step(Outputs(BankOutputs(True, True, True, False, False, ma, 8.0), (OPEN, OPEN)), 100)
    with pytest.raises(ValueError, match="finite"):
        plant.step(Outputs(BankOutputs(True, True, True, False, False, 8.0, ma), (OPEN, OPEN)), 100)
    judge(plant)


@pytest.mark.parametrize("ma", [-1.0, 1e300])
def test_a_current_command_out_of_range_is_held_in_it(ma):
    plant = Plant(2, PlantParameters())
    for _ in range(20):
        plant.step(Outputs(BankOutputs(True, True, True, False, False, ma, ma), (OPEN, OPEN)), 100)
        judge(plant)
    assert 0 <= plant.bank_truth[BANK_TRUTH.index("booster_hz")] <= 60
