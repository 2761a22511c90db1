"""What the simulated plant is made of: pipes, pumps, membranes, tank, instruments.

Units stand in the field names; the kernel converts to SI once (``layout.pack``). The defaults are the
invented demo plant. Values are own choices unless a field says otherwise; each must be replaced for a
real site. These models are the ``[plant.*]`` tables of ``site.toml``: unknown keys, NaN and values
outside the bounds are refused.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def _tuples(value: object) -> object:
    """Lists, as TOML has them, made tuples: strict validation takes nothing else."""
    return tuple(_tuples(part) for part in value) if isinstance(value, (list, tuple)) else value


Hour = Annotated[float, Field(strict=True, ge=0, lt=24)]
Amount = Annotated[float, Field(strict=True, ge=0, le=20000)]
Profile = Annotated[tuple[tuple[Hour, Amount], ...], BeforeValidator(_tuples)]
PROFILE = "hours of the day and values, straight lines between; empty: the constant above"


class Day(_Table):
    """The clock of the daily profiles."""

    start_h: float = Field(0, ge=0, lt=24, description="hour of the day at which a run begins")


class Source(_Table):
    """The borehole and its water."""

    tds_mgl: float = Field(3200, ge=0, le=20000, description="dissolved solids of the feed")
    temperature_degc: float = Field(24, ge=1, le=50, description="feed temperature")
    chlorine_mgl: float = Field(0, ge=0, le=10, description="free chlorine in the feed")
    osmotic_ratio_to_nacl: float = Field(
        0.89, ge=0.3, le=1.0, description="osmotic pressure against the same mass of sodium chloride"
    )
    tds_profile_h_mgl: Profile = Field((), min_length=0, max_length=24, description=PROFILE)
    temperature_profile_h_degc: Profile = Field((), min_length=0, max_length=24, description=PROFILE)
    chlorine_profile_h_mgl: Profile = Field((), min_length=0, max_length=24, description=PROFILE)
    mixing_s: float = Field(2, ge=0.1, le=600, description="a change at the source arrives so slowly")


class Booster(_Table):
    """Booster pump on a drive; a minimum-flow line leads a little water back to the source."""

    shutoff_bar: float = Field(4.5, gt=0, le=20, description="head at no flow, 50 Hz")
    rated_flow_m3h: float = Field(16, gt=0, le=500, description="flow at the rated head, 50 Hz")
    rated_bar: float = Field(3.0, gt=0, le=20, description="head at the rated flow, 50 Hz")
    ramp_hz_s: float = Field(10, gt=0, le=60, description="the drive changes speed so fast")
    coast_s: float = Field(1.0, gt=0, le=20, description="time constant of the run-down without power")
    minimum_flow_kv_m3h: float = Field(0.15, ge=0, le=10, description="Kv of the line back to the source")


class Header(_Table):
    """Pipework shared by the units."""

    compliance_l_bar: float = Field(0.4, gt=0, le=50, description="water that the feed header yields per bar")
    volume_l: float = Field(200, gt=0, le=20000, description="water in the feed header, where dose mixes in")
    product_static_m: float = Field(2.0, ge=0, le=20, description="tank inlet above the permeate outlets")
    product_loss_bar: float = Field(
        0.1, gt=0, le=1, description="product header loss with all units producing"
    )
    product_relief_bar: float = Field(1.5, gt=0.2, le=10, description="permeate relief valve opens")


class Unit(_Table):
    """One reverse-osmosis unit."""

    cells: int = Field(4, ge=3, le=8, description="well-mixed feed-side cells in series")
    membrane_area_m2: float = Field(64, gt=0, le=1000, description="membrane area")
    permeability_lmh_bar: float = Field(2.77, gt=0, le=20, description="water permeability A at 25 degC")
    salt_permeability_lmh: float = Field(0.375, gt=0, le=20, description="salt permeability B at 25 degC")
    salt_per_k: float = Field(
        0.03, ge=0, le=0.08, description="rise of B per degC; common practice, no source"
    )
    mass_transfer_m_s: float = Field(
        8e-5, gt=0, le=1e-2, description="film coefficient k, nominal cross-flow"
    )
    feed_side_l: float = Field(40, gt=0, le=2000, description="water between pump and restrictor")
    permeate_hold_up_l: float = Field(12, gt=0, le=500, description="water on the permeate side")
    nominal_feed_m3h: float = Field(2.33, gt=0, le=50, description="feed while producing")
    nominal_permeate_m3h: float = Field(1.40, gt=0, le=50, description="permeate while producing")
    nominal_concentrate_m3h: float = Field(0.93, gt=0, le=50, description="concentrate while producing")
    feed_valve_kv_m3h: float = Field(6, gt=0, le=100, description="Kv of feed and check valve together")
    feed_valve_travel_s: float = Field(3, ge=0.05, le=60, description="slow closing against water hammer")
    flush_valve_kv_m3h: float = Field(2.55, gt=0, le=100, description="Kv of the flush valve, no regulator")
    flush_regulator_bar: float = Field(
        1.2, gt=0, le=1000, description="flow regulator in the flush line: it holds Kv sqrt(this pressure)"
    )
    flush_valve_travel_s: float = Field(1.5, ge=0.05, le=60, description="travel time of the flush valve")
    restrictor_kv_m3h: float = Field(
        0.2645, ge=0, le=20, description="Kv of the fixed restrictor; 0 is blanked"
    )
    module_loss_bar: float = Field(0.13, ge=0, le=5, description="feed to concentrate at nominal mean flow")
    prefilter_bar: float = Field(0.15, gt=0, le=5, description="clean prefilter at nominal feed")
    prefilter_doubles_m3: float = Field(
        1500, gt=0, le=1e6, description="feed that doubles the loss of a clean prefilter"
    )
    fouling_per_m: float = Field(
        5e-4, ge=0, le=1, description="share of permeability lost for each m3 of permeate on each m2"
    )
    compliance_l_bar: float = Field(
        0.05, gt=0, le=5, description="water yielded per bar, each side of the pump"
    )
    pump_shutoff_bar: float = Field(15.8, gt=0, le=100, description="pump head at no flow")
    pump_nominal_bar: float = Field(9.8, gt=0, le=100, description="pump head at nominal feed")
    pump_bypass_kv_m3h: float = Field(2.5, gt=0, le=100, description="check valve round the stopped pump, Kv")
    run_up_s: float = Field(0.5, gt=0, le=10, description="95 % speed after switching on")
    coast_s: float = Field(1.0, gt=0, le=30, description="5 % speed after switching off")
    locked_trip_s: float = Field(6, gt=0, le=30, description="protector trips on a locked rotor")
    protector_cool_s: float = Field(60, gt=0, le=900, description="protector may close again after it")
    has_diverter: bool = Field(
        True, description="permeate diverter fitted (to a drain of its own); else all to tank"
    )


class Drain(_Table):
    """The shared drain and its sump."""

    capacity_m3h: float = Field(9, gt=0, le=500, description="what the drain takes")
    high_l: float = Field(50, gt=0, le=10000, description="sump content at which the high switch opens")
    spill_l: float = Field(150, gt=0, le=20000, description="sump content at which it spills on the floor")


class Tank(_Table):
    """Product tank."""

    volume_m3: float = Field(40, gt=0, le=10000, description="content at 100 %")
    level_pct: float = Field(60, ge=0, le=100, description="level at the start of a run")
    tds_mgl: float = Field(100, ge=0, le=5000, description="dissolved solids at the start of a run")
    demand_m3h: float = Field(5, ge=0, le=1000, description="draw at the start of a run")
    demand_profile_h_m3h: Profile = Field((), min_length=0, max_length=24, description=PROFILE)


class Dosing(_Table):
    """Antiscalant pump and tank."""

    full_ml_h: float = Field(200, gt=0, le=10000, description="delivery at 100 %")
    stroke_ml: float = Field(0.05, gt=0, le=10, description="one stroke")
    pulse_s: float = Field(0.3, gt=0.05, le=2, description="the stroke contact stays closed")
    tank_l: float = Field(60, gt=0, le=10000, description="stock at the start of a run")
    low_l: float = Field(10, ge=0, le=10000, description="low switch opens below it")
    density_kg_l: float = Field(1.1, gt=0.5, le=2, description="density of the product")


class Scaling(_Table):
    """When the salt of the last cell falls out; a stated simple law, see ``process.wear``."""

    feed_saturation_ratio: float = Field(1.0, ge=0, le=10, description="saturation of the feed, 1 is full")
    held_ratio: float = Field(3.0, ge=1, le=20, description="saturation that the antiscalant holds")
    held_dose_mgl: float = Field(2.0, gt=0, le=100, description="product in the feed that holds it")
    induction_s: float = Field(
        3600, gt=0, le=1e6, description="scale begins so late at twice the saturation that is held"
    )
    growth_per_h: float = Field(
        0.1, ge=0, le=5, description="share of permeability lost an hour at twice what is held"
    )


class FieldDevices(_Table):
    """Contacts, switches and measuring loops."""

    mirror_s: float = Field(0.05, ge=0, le=1, description="mirror contact after its contactor")
    watchdog_s: float = Field(2, gt=0, le=10, description="watchdog relay drops without a change")
    module_timeout_s: float = Field(
        2, gt=0, le=10, description="I/O module drops its outputs without a master"
    )
    suction_switch_bar: float = Field(0.5, ge=0, le=5, description="suction switch closes above it")
    discharge_switch_bar: float = Field(17.5, gt=0, le=100, description="discharge switch opens")
    discharge_reset_bar: float = Field(14, gt=0, le=100, description="discharge switch closes again")
    permeate_switch_bar: float = Field(1.0, gt=0, le=10, description="permeate switch opens")
    float_high_pct: float = Field(98, gt=50, le=100, description="high-high float opens")
    float_low_pct: float = Field(10, ge=0, lt=50, description="low float closes above it")
    pressure_lag_s: float = Field(0.2, gt=0, le=30, description="lag of pressure and speed loops")
    flow_lag_s: float = Field(0.5, gt=0, le=30, description="lag of flow and chlorine loops")
    slow_lag_s: float = Field(2, gt=0, le=60, description="lag of temperature and level loops")
    conductivity_lag_s: float = Field(5, gt=0, le=120, description="lag of conductivity loops")
    noise_pct: float = Field(0.05, ge=0, le=5, description="standard deviation of the noise, % of span")
    resolution_ma: float = Field(0.005, gt=0, le=0.5, description="step of the converters")
    permeate_tds_per_us: float = Field(0.50, ge=0.4, le=0.8, description="mg/L for each uS/cm, permeate")
    feed_tds_per_us: float = Field(0.64, ge=0.4, le=0.8, description="mg/L for each uS/cm, feed")


class Supply(_Table):
    """Electrical supply of the motors."""

    starting_multiple: float = Field(
        6, ge=1, le=12, description="current of a standing rotor, times full load"
    )
    sag_all_starting_pct: float = Field(
        16, ge=0, le=60, description="voltage sag, all motors starting at once"
    )
    relay_pct: float = Field(14, gt=0, le=90, description="supply relay opens at this sag")
    pick_up_pct: float = Field(
        85, gt=0, le=100, description="voltage at which a contactor closes; common practice, no source"
    )
    drop_out_pct: float = Field(
        60, gt=0, le=100, description="voltage at which it opens; common practice, no source"
    )
    hold_up_s: float = Field(0.02, ge=0, le=1, description="contactors and 24 V outlast a gap of this length")


class PlantParameters(BaseModel):
    """The whole plant; one table of ``site.toml`` for each field."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    day: Day = Day()
    source: Source = Source()
    booster: Booster = Booster()
    header: Header = Header()
    unit: Unit = Unit()
    drain: Drain = Drain()
    tank: Tank = Tank()
    dosing: Dosing = Dosing()
    scaling: Scaling = Scaling()
    field: FieldDevices = FieldDevices()
    supply: Supply = Supply()

    @model_validator(mode="after")
    def _agree(self) -> Self:
        """Refuse pairs that contradict each other; the message names both values."""
        u, f, b, d, s = self.unit, self.field, self.booster, self.drain, self.supply
        static_bar = 0.0981 * self.header.product_static_m
        rules = (
            ("unit.pump_nominal_bar", u.pump_nominal_bar, "unit.pump_shutoff_bar", u.pump_shutoff_bar),
            ("booster.rated_bar", b.rated_bar, "booster.shutoff_bar", b.shutoff_bar),
            (
                "field.discharge_reset_bar",
                f.discharge_reset_bar,
                "field.discharge_switch_bar",
                f.discharge_switch_bar,
            ),
            ("drain.high_l", d.high_l, "drain.spill_l", d.spill_l),
            ("dosing.low_l", self.dosing.low_l, "dosing.tank_l", self.dosing.tank_l),
            ("supply.drop_out_pct", s.drop_out_pct, "supply.pick_up_pct", s.pick_up_pct),
            (
                "bar of header.product_static_m",
                static_bar,
                "header.product_relief_bar",
                self.header.product_relief_bar,
            ),
        )
        broken = [f"{a} = {x:g} must be below {c} = {y:g}" for a, x, c, y in rules if not x < y]
        broken += [
            f"{name}: the hours must rise"
            for name, points in self._profiles().items()
            if any(a[0] >= b[0] for a, b in pairwise(points))
        ]
        if broken:
            raise ValueError("; ".join(broken))
        return self

    def _profiles(self) -> dict[str, Profile]:
        return {
            "source.tds_profile_h_mgl": self.source.tds_profile_h_mgl,
            "source.temperature_profile_h_degc": self.source.temperature_profile_h_degc,
            "source.chlorine_profile_h_mgl": self.source.chlorine_profile_h_mgl,
            "tank.demand_profile_h_m3h": self.tank.demand_profile_h_m3h,
        }
