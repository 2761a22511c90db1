"""Parameters that a site may set: bounded, named, and never a plant that cannot be computed."""

from __future__ import annotations

import numpy as np
import pytest
from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from controller.signals import BankOutputs, Outputs, UnitOutputs
from sim_plant.plant import Plant
from sim_plant.process.parameters import PlantParameters


def test_every_parameter_has_bounds_and_a_description():
    for table in PlantParameters.model_fields.values():
        for name, field in table.annotation.model_fields.items():
            assert field.description, name
            if field.annotation is not bool:
                bounds = [m for m in field.metadata if isinstance(m, (Ge, Gt, Le, Lt, MinLen, MaxLen))]
                assert len(bounds) == 2, f"{name} needs a lower and an upper bound"


def test_every_number_carries_its_unit_in_its_name():
    units = (
        "_mgl",
        "_degc",
        "_s",
        "_bar",
        "_m3h",
        "_hz_s",
        "_l_bar",
        "_m",
        "_m2",
        "_lmh_bar",
        "_lmh",
        "_per_k",
        "_l",
    )
    units += (
        "_ml_h",
        "_ml",
        "_pct",
        "_m3",
        "_ma",
        "_per_us",
        "_m_s",
        "_to_nacl",
        "_multiple",
        "cells",
        "diverter",
        "_h",
        "_per_h",
        "_per_m",
        "_ratio",
        "_kg_l",
    )
    for table in PlantParameters.model_fields.values():
        for name in table.annotation.model_fields:
            assert name.endswith(units), name


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({"unit": {"celsl": 4}}, "Extra inputs"),
        ({"pump": {}}, "Extra inputs"),
        ({"unit": {"cells": 2}}, "greater than or equal to 3"),
        ({"source": {"tds_mgl": float("nan")}}, "finite number"),
        (
            {"unit": {"pump_nominal_bar": 20.0}},
            "pump_nominal_bar = 20 must be below unit.pump_shutoff_bar = 15.8",
        ),
        ({"booster": {"rated_bar": 5.0}}, "rated_bar = 5 must be below"),
        ({"drain": {"high_l": 200.0}}, "drain.high_l = 200 must be below drain.spill_l = 150"),
        ({"header": {"product_static_m": 20.0}}, "product_relief_bar = 1.5"),
        ({"supply": {"drop_out_pct": 90.0}}, "drop_out_pct = 90 must be below supply.pick_up_pct = 85"),
        ({"tank": {"demand_profile_h_m3h": [[8, 5], [6, 3]]}}, "demand_profile_h_m3h: the hours must rise"),
        ({"tank": {"demand_profile_h_m3h": [[24, 5]]}}, "less than 24"),
        ({"tank": {"demand_profile_h_m3h": [["8", 5]]}}, "valid number"),
        ({"source": {"tds_profile_h_mgl": [[0, -1]]}}, "greater than or equal to 0"),
    ],
)
def test_a_parameter_that_makes_no_sense_is_refused_in_words(tables, words):
    with pytest.raises(ValidationError, match=words):
        PlantParameters.model_validate(tables)


def test_a_profile_may_be_written_as_toml_writes_it_also_where_types_are_strict():
    tables = {"tank": {"demand_profile_h_m3h": [[6, 2], [12.5, 8.0]]}}
    parameters = PlantParameters.model_validate(tables, strict=True)
    assert parameters.tank.demand_profile_h_m3h == ((6, 2), (12.5, 8))
    with pytest.raises(ValidationError, match="valid number"):
        PlantParameters.model_validate({"tank": {"demand_profile_h_m3h": [["6", 2]]}}, strict=True)


@st.composite
def odd_units(draw):
    """A unit with each parameter anywhere between its bounds, pump curve falling."""
    fields = PlantParameters.model_fields["unit"].annotation.model_fields
    values = {}
    for name, field in fields.items():
        if field.annotation is float and draw(st.booleans()):
            low = next(getattr(m, a) for m in field.metadata for a in ("ge", "gt") if hasattr(m, a))
            high = next(m.le for m in field.metadata if hasattr(m, "le"))
            span = st.floats(low + 1e-3 * (high - low), high)
            values[name] = draw(span)
    shutoff = values.get("pump_shutoff_bar", 15.8)
    values["pump_nominal_bar"] = 0.6 * shutoff
    return values


@settings(max_examples=80, deadline=None)
@given(unit=odd_units(), dt_ms=st.sampled_from([10, 100, 500]))
def test_a_plant_within_its_bounds_can_always_be_computed(unit, dt_ms):
    plant = Plant(2, PlantParameters.model_validate({"unit": unit}))
    for command in ((True, True, False), (True, False, True), (True, True, True), (False, False, False)):
        for k in range(30):
            bank = BankOutputs(True, True, True, k % 2 == 0, False, 17.0, 8.0)
            one = UnitOutputs(*command[:2], command[2], command[2], True, False)
            plant.step(Outputs(bank, (one, one)), dt_ms)
        truth = np.concatenate([plant.unit_truth.ravel(), plant.bank_truth])
        assert np.isfinite(truth).all()
        assert (plant.unit_truth[:, 3:7] >= 0).all()
