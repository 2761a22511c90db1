"""Our values of membranes, pipes and pumps, duty, loops, motors and product."""

from __future__ import annotations

from functools import cache

from controller.parts import analogue
from controller.signals import Kind, Signal, from_ma
from sim_plant.field import instruments
from sim_plant.plant import Plant
from sim_plant.process import (
    conductivity,
    duty,
    electrics,
    hydraulics,
    membrane,
    motors,
    network,
    normalise,
    packing,
    pipes,
    salt,
    solutions,
    water,
)
from sim_plant.process import layout as at
from sim_plant.process.parameters import PlantParameters, Source, Unit
from tests.published.registry import BAR, DEMO, L_MIN, L_MIN_M3H, Given, by, solve

# --- transport -------------------------------------------------------------------------------------


@by("packing.pack")
def permeability_unit(g: Given) -> float:
    unit = Unit(permeability_lmh_bar=g["a_lmh_bar"])
    return float(packing.pack(PlantParameters(unit=unit), 1)[at.P_A])


@by("membrane.polarisation")
def film_theory(g: Given) -> float:
    return membrane.polarisation(g["jw_lmh"] * at.LMH, g["k_m_s"])


@by("membrane.polarisation", "membrane.film_coefficient")
def polarisation_of_the_demo(_g: Given) -> float:
    """At the mean flux and the film coefficient of the concentrate end."""
    u, p = DEMO.unit, packing.pack(DEMO, 1)
    flux = u.nominal_permeate_m3h * at.M3H / u.membrane_area_m2
    tail = membrane.film_coefficient(p[at.P_K], u.nominal_concentrate_m3h * at.M3H / p[at.P_Q_MEAN])
    return membrane.polarisation(flux, tail)


@by("normalise.concentration_factor")
def full_rejection(g: Given) -> float:
    return normalise.concentration_factor(g["recovery"])


@by("normalise.concentration_factor")
def plug_flow(g: Given) -> float:
    return normalise.concentration_factor(g["recovery"], g["r"])


@by("normalise.mean_permeate_ratio")
def plug_flow_permeate(g: Given) -> float:
    return normalise.mean_permeate_ratio(g["recovery"], g["r"])


@by("normalise.log_mean_factor")
def log_mean(g: Given) -> float:
    return normalise.log_mean_factor(g["recovery"])


@by("membrane.temperature_factor")
def membrane_factor(g: Given) -> float:
    return membrane.temperature_factor(g["degc"])


@by("membrane.temperature_factor")
def permeability_per_degree(_g: Given) -> float:
    return membrane.temperature_factor(25.5) / membrane.temperature_factor(24.5) - 1


def condition(g: Given, which: str) -> tuple[float, float]:
    """(net driving pressure, temperature factor) of the standard or the actual condition."""
    degc = g[f"t_{which}_degc"]
    feed_side = g[f"cf_{which}_mgl"] * normalise.log_mean_factor(g[f"y_{which}"])
    osmotic = g["pi_slope_bar_per_mgl_25degc"] * feed_side * (degc + water.ICE_POINT_K) / 298.15
    net = normalise.net_driving_bar(
        g[f"pf_{which}_bar"], g[f"dp_{which}_bar"], g[f"pp_{which}_bar"], osmotic, 0.01 * osmotic
    )
    return net, normalise.temperature_factor(degc)


@by("normalise.normalised_flow", "normalise.net_driving_bar", "normalise.temperature_factor")
def normalised_flow(g: Given) -> float:
    return normalise.normalised_flow(g["qpa_l_min"], condition(g, "s"), condition(g, "a"))


@by("normalise.normalised_salt_passage", "normalise.temperature_factor")
def normalised_passage(g: Given) -> float:
    return normalise.normalised_salt_passage(
        g["spa"],
        (g["epfs_l_min"], g["epfa_l_min"]),
        (normalise.temperature_factor(25.0), normalise.temperature_factor(20.0)),
        (g["cfb_s_mgl"], g["cfb_a_mgl"]),
        (g["cf_s_mgl"], g["cf_a_mgl"]),
    )


@cache
def channel(k_m_s: float) -> tuple[float, float, float]:
    """A unit of 7 m2 fed with 8 L/min of 2000 mg/L at 10 bar until it is steady, by the kernel's functions.

    Returns (permeate L/min, permeate mg/L, concentrate mg/L). k follows the cross-flow and has the given
    value at its mean; without polarisation it is so large that it does not matter.
    """
    feed, mean_flow = 8.0 * L_MIN, (8.0 + 5.0) / 2 * L_MIN_M3H
    unit = Unit(
        cells=8, membrane_area_m2=7.0, permeability_lmh_bar=3.5, salt_permeability_lmh=0.15,
        mass_transfer_m_s=k_m_s, feed_side_l=3.0, permeate_hold_up_l=1.2, module_loss_bar=0.4,
        nominal_feed_m3h=mean_flow * 8 / 6.5, nominal_concentrate_m3h=mean_flow * 5 / 6.5,
    )  # fmt: skip
    plant = Plant(1, PlantParameters(unit=unit, source=Source(tds_mgl=2000, temperature_degc=25.0)))
    p, u, b, uf = plant._a.p, plant._a.u[0], plant._a.b, plant._a.unit_faults[0]
    u[at.U_PERMEATE_PRESSURE] = 0.2 * BAR
    for _ in range(20000):
        permeate, _slope = network._permeate(p, u, uf, 10.0 * BAR, 1.0, 0.794 * BAR)
        u[at.U_Q_PERMEATE], u[at.U_Q_CONCENTRATE], u[at.U_Q_FEED] = permeate, feed - permeate, feed
        salt.step_unit_salt(p, u, b, uf, 0.1)
    return permeate / L_MIN, u[at.U_PERMEATE_TDS] / at.MGL, u[at.U_CELL + 7] / at.MGL


@by("network._permeate", "salt.step_unit_salt")
def channel_permeate(g: Given) -> float:
    return channel(g.get("k_m_s", 1e-2))[0]


@by("network._permeate", "salt.step_unit_salt")
def channel_permeate_tds(g: Given) -> float:
    return channel(g.get("k_m_s", 1e-2))[1]


@by("network._permeate", "salt.step_unit_salt")
def channel_concentrate_tds(g: Given) -> float:
    return channel(g.get("k_m_s", 1e-2))[2]


@by("normalise.greatest_recovery")
def greatest_recovery(g: Given) -> float:
    return normalise.greatest_recovery(g["pi_f_bar"], g["p_bar"])


# --- hydraulics ------------------------------------------------------------------------------------


@by("pipes.friction_factor")
def friction(g: Given) -> float:
    return pipes.friction_factor(g["re"], g.get("ed", 0.0))


@by("pipes.pipe_loss_pa")
def pipe_loss(g: Given) -> float:
    return pipes.pipe_loss_pa(g["q_m3h"], g["d_m"], g["l_m"], g["eps_m"], g["degc"]) / BAR


@by("hydraulics.flow_through", "packing.kv_si")
def valve_drop(g: Given) -> float:
    """The drop at which the kernel's valve passes the flow; its small laminar term as good as gone."""
    wanted, quadratic = g["q_m3h"] * at.M3H, packing.kv_si(g["kv_m3h"]) ** -2
    return solve(lambda pa: hydraulics.flow_through(pa, quadratic, 1e-3) - wanted, 0.0, 10 * BAR) / BAR


@by("pipes.cv_from_kv")
def cv(g: Given) -> float:
    return pipes.cv_from_kv(g["kv_m3h"])


@by("pipes.kv_from_zeta")
def kv_of_fitting(g: Given) -> float:
    return pipes.kv_from_zeta(g["zeta"], g["d_m"])


@by("hydraulics.pump_flow_m3_s", "pipes.shaft_power_w")
def affinity(g: Given) -> list[float]:
    """The booster at full speed, and at the ratio where its flow has the same ratio."""
    v, n = packing.pack(DEMO, 6), g["n_ratio"]
    curve = v[at.P_BOOSTER_HEAD], v[at.P_BOOSTER_K], v[at.P_BOOSTER_R]
    full = hydraulics.pump_flow_m3_s(3.2 * BAR, 1.0, *curve)
    head = solve(lambda pa: n * full - hydraulics.pump_flow_m3_s(pa, n, *curve), 0.0, 4 * BAR)
    slow = hydraulics.pump_flow_m3_s(head, n, *curve)
    power = pipes.shaft_power_w(slow, head, 0.5) / pipes.shaft_power_w(full, 3.2 * BAR, 0.5)
    return [slow / full, head / (3.2 * BAR), power]


@by("pipes.least_speed_ratio")
def least_speed(g: Given) -> float:
    return pipes.least_speed_ratio(g["hstat_m"], g["h0_m"])


@by("pipes.npsh_available_m")
def npsh(g: Given) -> float:
    return pipes.npsh_available_m(g["patm_pa"], g["z_m"], g["hloss_m"], g["degc"])


@by("water.hydrostatic_pa")
def level(g: Given) -> float:
    return water.hydrostatic_pa(g["h_m"], g["degc"]) / 100


@by("pipes.surge_pa")
def surge(g: Given) -> float:
    return pipes.surge_pa(g["a_m_s"], g["dv_m_s"], g["rho_kg_m3"]) / BAR


@by("pipes.shaft_power_w")
def shaft_power(g: Given) -> float:
    return pipes.shaft_power_w(g["q_l_min"] * L_MIN_M3H, g["dp_bar"] * BAR, g["eta"])


@by("pipes.energy_kwh_m3")
def specific_energy(g: Given) -> float:
    return pipes.energy_kwh_m3(g["p_bar"] * BAR, g["recovery"], g["eta"])


@by("hydraulics.prefilter_pa", "water.viscosity_pa_s")
def prefilter(g: Given) -> float:
    thicker = water.viscosity_pa_s(10.0) / water.viscosity_pa_s(25.0)
    return hydraulics.prefilter_pa(g["dp0_bar"], g["q_ratio"], thicker)


# --- duty and hold-up ------------------------------------------------------------------------------


@by("duty.net_production_m3h")
def net_product(g: Given) -> float:
    """L/h; a dead time at the start is time in which nothing is made."""
    dead = g.get("t_start_s", 0.0)
    return 1000 * duty.net_production_m3h(g["q_l_min"], g["t_s"] - dead, g["f_s"] + dead)


@by("duty.flush_water_share")
def flush_share(g: Given) -> float:
    return duty.flush_water_share(
        g["qfeed_l_min"] * L_MIN_M3H, g["t_s"], g["qflush_l_min"] * L_MIN_M3H, g["f_s"]
    )


@by("duty.net_recovery")
def cycle_recovery(g: Given) -> float:
    permeate, feed, flush = (g[name] * L_MIN_M3H for name in ("qp_l_min", "qfeed_l_min", "qflush_l_min"))
    return duty.net_recovery(permeate, feed, g["t_s"], flush, g["f_s"])


@by("duty.net_production_m3h", "duty.most_interrupted")
def staggered_bank(g: Given) -> list[float]:
    mean = duty.net_production_m3h(g["q_l_min"], g["t_s"], g["f_s"], g["n"])
    return [mean / L_MIN_M3H, duty.most_interrupted(g["n"], g["t_s"], g["f_s"])]


@by("membrane.mix")
def washed_out(g: Given) -> float:
    return 1 - after_mixing(1.0, 0.0, 100.0 * g["n_volumes"], 100.0)


def after_mixing(start: float, inflow: float, seconds: float, tau_s: float, steps: int = 500) -> float:
    """Concentration of one mixed volume of ``tau_s`` seconds of flow, in many steps of the kernel."""
    c = start
    for _ in range(steps):
        c, _mean = membrane.mix(c, inflow, 1.0, tau_s, seconds / steps)
    return c


@by("hydraulics.lag")
def settling_time(g: Given) -> float:
    return solve(lambda t: hydraulics.lag(0.0, 1.0, t, g["tau_s"]) - 0.95, 0.0, 20 * g["tau_s"])


@by("membrane.mix")
def tanks_in_series(g: Given) -> float:
    """As the kernel chains its cells: each takes the mean outflow of the one before."""
    cells, dt_s, steps = [0.0] * g["n"], 0.1, 1000
    for _ in range(round(steps * g["n_volumes"])):
        inflow = 1.0
        for j in range(g["n"]):
            cells[j], inflow = membrane.mix(cells[j], inflow, 1.0, steps * dt_s / g["n"], dt_s)
    return cells[-1]


@by("duty.volumes_to_dilute")
def flush_volumes(g: Given) -> float:
    return duty.volumes_to_dilute(g["cf"], g["excess"])


@by("membrane.mix")
def idle_salt(g: Given) -> float:
    """Salt creeps in from the feed side with the time constant hold-up / (B area)."""
    return after_mixing(g["cp0_mgl"], g["cf_mgl"], g["t_h"] * 3600, g["tau_h"] * 3600)


@by("salt.step_unit_salt")
def idle_balance(g: Given) -> float:
    """A plant left alone until both sides of its membranes are even."""
    unit = Unit(feed_side_l=g["vf_l"], permeate_hold_up_l=g["vp_l"], salt_permeability_lmh=20.0)
    plant = Plant(1, PlantParameters(unit=unit, source=Source(tds_mgl=g["cf_mgl"])))
    a = plant._a
    a.u[0, at.U_CELL : at.U_CELL + unit.cells] = g["cf_mgl"] * at.MGL
    a.u[0, at.U_PERMEATE_TDS] = g["cp_mgl"] * at.MGL
    for _ in range(2000):
        salt.step_unit_salt(a.p, a.u[0], a.b, a.unit_faults[0], 0.5)
    return a.u[0, at.U_PERMEATE_TDS] / at.MGL


@by("membrane.mix")
def peak_decay(g: Given) -> float:
    tau_s = 60 * g["vp_l"] / g["q_l_min"]
    return after_mixing(g["cp_start_mgl"], g["cp_run_mgl"], g["t_s"], tau_s)


@by("duty.seconds_to_fall")
def divert_time(g: Given) -> float:
    return duty.seconds_to_fall(g["cp_start_mgl"], g["cp_run_mgl"], g["limit_mgl"], g["tau_s"])


@by("duty.peak_in_batch_mgl")
def peak_in_batch(g: Given) -> float:
    return duty.peak_in_batch_mgl(g["cp_start_mgl"], g["cp_run_mgl"], g["vp_l"], g["vbatch_l"])


# --- signals, motors, product ----------------------------------------------------------------------


@by("signals.from_ma")
def loop_value(g: Given) -> float:
    loop = Signal("p", "PT", Kind.AI, "", "", "bar", g["lo_bar"], g["hi_bar"])
    return from_ma(loop, g["i_ma"])


@by("analogue.BROKEN_LOW_MA", "instruments.LEAST_MA", "instruments.MOST_MA", "analogue.BROKEN_HIGH_MA")
def loop_limits(_g: Given) -> list[float]:
    """What the firmware calls broken, and what the plant's loops can show."""
    measurement = [instruments.LEAST_MA, instruments.MOST_MA]
    return [analogue.BROKEN_LOW_MA, *measurement, analogue.BROKEN_HIGH_MA]


@by("electrics._step_motor")
def starting_multiple(_g: Given) -> float:
    return currents(1, DEMO.supply.starting_multiple)


@by("electrics._step_motor")
def starting_current(g: Given) -> float:
    return g["fla_a"] * currents(1, g["k"])


@by("electrics._step_motor")
def starting_together(g: Given) -> float:
    return g["fla_a"] * currents(g["n"], g["k"])


def currents(units: int, multiple: float) -> float:
    """Sum of the motors' currents, times full load, at the instant when all contactors close."""
    supply = DEMO.supply.model_copy(update={"starting_multiple": multiple})
    a = Plant(units, DEMO.model_copy(update={"supply": supply}))._a
    a.u[:, at.U_LIVE] = 1.0
    for i in range(units):
        electrics._step_motor(a.p, a.u[i], a.unit_faults[i], False, 0.1)
    return float(a.u[:, at.U_CURRENT].sum())


@by("motors.peak_a", "motors.most_starting")
def starting_in_turn(g: Given) -> float:
    starting = motors.most_starting(g["n"], g.get("t_inrush_s", 1.0), g.get("t_stagger_s", 10.0))
    return motors.peak_a(g["n"], g["fla_a"], g["k"], starting)


@by("motors.full_load_a")
def full_load(g: Given) -> float:
    return motors.full_load_a(g["p_kw"], g["u_v"], g["pf"], g["eta"])


@by("hydraulics.lag")
def starting_time(_g: Given) -> float:
    """Time to 95 % of speed, as the kernel runs its pumps up."""
    tau_s = packing.pack(DEMO, 1)[at.P_RUN_UP_TAU]
    return solve(lambda t: hydraulics.lag(0.0, 1.0, t, tau_s) - 0.95, 0.0, 20 * tau_s)


@by("conductivity.tds_factor")
def implied_factor(g: Given) -> list[float]:
    pairs = zip(g["tds_mgl"], g["ec_ds_m"], strict=True)
    return [conductivity.tds_factor(mgl, 1000 * ds_m) for mgl, ds_m in pairs]


@by("solutions.meq_to_mgl")
def equivalents(g: Given) -> float:
    return solutions.meq_to_mgl(g["c_meq_l"], 35.453, -1)


@by("solutions.bypass_share")
def bypass(g: Given) -> float:
    return solutions.bypass_share(g["cp_mgl"], g["cf_mgl"], g["target_mgl"])
