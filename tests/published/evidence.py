"""Evidence for the plant that is a property, not a value: which test shows it, and how near it must come."""

from __future__ import annotations

from typing import NamedTuple


class Evidence(NamedTuple):
    """One row of the page; ``tests`` are "file::function" below ``tests``, and must exist."""

    kind: str
    what: str
    near: str
    tests: tuple[str, ...]


PLANT, PUBLISHED = "plant/test_plant_", "published/test_"
EVIDENCE = (
    Evidence(
        "library", "pressures and flows of one unit through flush, production, purge and standby: "
        "SciPy's LSODA (rtol 1e-9) on the same equations, written anew",
        "0.5 %; worst seen 0.21 %, after a stop; looked at every 5 s",
        (f"{PLANT}scipy.py::test_pressures_and_flows_are_within_half_a_percent",),
    ),
    Evidence(
        "library", "concentrations of the same run", "1 %; worst seen 0.13 %",
        (f"{PLANT}scipy.py::test_concentrations_are_within_one_percent",),
    ),
    Evidence(
        "library", "the same by our own Runge-Kutta oracle with quasi-steady pressures", "0.5 % and 1 %",
        (f"{PLANT}oracle.py::test_the_plant_agrees_with_the_oracle",),
    ),
    Evidence(
        "balance", "water in, out and stored, of an eventful life and of 2000 random plants",
        "rounding: 1e-9 of what moved or stands",
        (
            f"{PLANT}balance.py::test_water_balance_closes_to_rounding",
            f"{PLANT}random.py::test_whatever_the_plant_and_whatever_is_done_to_it_its_numbers_stay_in_bounds",
        ),
    ),
    Evidence(
        "balance", "salt in, out and stored", "rounding",
        (
            f"{PLANT}balance.py::test_salt_balance_closes_to_rounding",
            f"{PLANT}balance.py::test_salt_that_overflows_is_accounted_for",
        ),
    ),
    Evidence(
        "balance", "the inflow of a steady bank is what its booster curve says", "2 %",
        (f"{PLANT}balance.py::test_the_inflow_of_a_steady_bank_is_what_its_booster_curve_says",),
    ),
    Evidence(
        "balance", "full rejection concentrates by 1/(1 - R); recovery stays below 1 - pi/P", "1e-6",
        (
            f"{PUBLISHED}closed_forms.py::"
            "test_full_rejection_concentrates_by_the_mass_balance_and_stays_below_the_osmotic_limit",
        ),
    ),
    Evidence(
        "step size", "steps of 20, 50, 200 and 500 ms against 10 ms", "0.5 % pressures and flows, 1 % salt",
        (f"{PLANT}balance.py::test_the_step_size_moves_pressures_by_half_a_percent_and_salt_by_one",),
    ),
    Evidence(
        "balance", "net production of a bank by the closed formula of a study, and of the whole bank under "
        "its firmware in a day (`tests.study.duty_day`, 50 random banks)",
        "0.5 %; worst seen 0.11 %",
        ("study/test_duty.py::test_the_closed_formula_says_what_the_bank_puts_into_the_tank",),
    ),
    Evidence(
        "library", "time with k of n units out of order, and hours of demand not met, over 20 seasons of 400 "
        "days: scipy.stats.binom",
        "4 standard errors",
        ("study/test_season.py::test_units_are_out_as_often_as_the_binomial_distribution_says",),
    ),
    Evidence(
        "limit case", "the concentrate of a proposed bank stays below its limits for a week under the "
        "firmware (`tests.study.week`), and with a third of the restrictor it does not",
        "greatest concentration within 1 % of the study's",
        (
            "study/test_week.py::test_the_bank_concentrates_no_further_than_the_study_says",
            "study/test_week.py::test_with_a_third_of_the_restrictor_the_limit_is_passed",
        ),
    ),
    Evidence(
        "limit case", "a mixed volume washes out exactly, whatever the step", "1e-9",
        (f"{PUBLISHED}closed_forms.py::test_a_mixed_volume_washes_out_exactly_in_any_number_of_steps",),
    ),
    Evidence(
        "limit case", "salt evens out across an idle membrane", "0.1 %",
        (f"{PUBLISHED}closed_forms.py::test_salt_evens_out_across_an_idle_membrane_in_every_cell",),
    ),
    Evidence(
        "limit case", "valves shut, no flow, empty source, frozen header, no salt, 1 and 64 units",
        "finite, nothing negative, no pressure below vacuum",
        (f"{PLANT}random.py::test_extremes_with_one_unit_and_with_sixty_four",),
    ),
    Evidence(
        "limit case", "2000 random plants, profiles, outputs, faults and acts of people",
        "finite, nothing negative, no pressure below vacuum, level 0 to 100 %",
        (f"{PLANT}random.py::test_whatever_the_plant_and_whatever_is_done_to_it_its_numbers_stay_in_bounds",),
    ),
    Evidence(
        "limit case", "what is no number is refused, what is out of range is refused or held", "exact",
        (
            f"{PLANT}random.py::test_a_parameter_that_is_no_number_or_out_of_range_is_refused",
            f"{PLANT}random.py::test_a_fault_that_is_no_number_or_out_of_range_is_refused",
            f"{PLANT}random.py::test_a_demand_a_level_and_a_step_that_are_no_number_are_refused",
            f"{PLANT}random.py::test_a_current_command_that_is_no_number_is_refused",
            f"{PLANT}random.py::test_a_current_command_out_of_range_is_held_in_it",
        ),
    ),
    Evidence(
        "practice", "permeate TDS is lower just after a purge and rises through production",
        "common practice, no source",
        (f"{PLANT}behaviour.py::test_permeate_tds_is_lower_after_a_purge_and_rises_through_production",),
    ),
    Evidence(
        "practice", "permeate flow falls sharply while the flush valve is open", "common practice, no source",
        (f"{PLANT}behaviour.py::test_permeate_flow_falls_sharply_while_the_flush_valve_is_open",),
    ),
    Evidence(
        "practice", "permeate TDS peaks after idle, the more the longer it stood",
        "common practice, no source",
        (
            f"{PLANT}behaviour.py::test_start_up_peak_after_idle_outlasts_30_s_of_blanking_but_not_120_s",
            f"{PLANT}behaviour.py::test_permeate_side_grows_saltier_the_longer_it_stands",
        ),
    ),
    Evidence(
        "practice", "permeate flow rises 2 to 3.5 % for each degC", "common practice, no source",
        (
            f"{PLANT}behaviour.py::"
            "test_permeate_flow_rises_two_to_three_and_a_half_percent_per_degree",
        ),
    ),
    Evidence(
        "practice", "a second flush pulls the header down further", "common practice, no source",
        (f"{PLANT}behaviour.py::test_second_flush_pulls_the_header_down",),
    ),
    Evidence(
        "own", "the defaults give the table of the demo plant", "3 %; the scenario is invented",
        (f"{PLANT}demo_point.py::test_steady_production_meets_the_demo_table",),
    ),
)  # fmt: skip

GAPS = (
    "Pressures are quasi-steady with small compliances. Waves are not modelled: a surge is put on the "
    "instruments for 50 ms and moves no water.",
    "No transport delay in pipes; one mixing lag at the source, one mixed volume of antiscalant in the "
    "feed header, one mixed volume on each permeate side.",
    "No osmotic suck-back: permeate never flows back through an idle membrane. Salt does creep through.",
    "One salt. Single ions, pH and carbon dioxide are no states. Scale follows a saturation ratio of the "
    "last cell that is a parameter, not the calcite index of `chemistry`, which is arithmetic for a site.",
    "The osmotic coefficient is a constant 0.93 (errors above). Most wrong where pressure is near nothing.",
    "Conductivity loops turn mg/L into uS/cm by one factor for each loop, as such instruments do, with a "
    "perfect temperature compensation. True sodium chloride departs from the 0.50 of the permeate loop "
    "with concentration: 8974 uS/cm is 4487 mg/L on the scale of the printed table, {nacl_mgl:.0f} mg/L "
    "by `conductivity.nacl_mgl`.",
    "Check valves open at no pressure; those in use crack at 0.02 to 0.1 bar.",
    "Pumps have a head curve and lose it in a fixed band above vacuum. They have no required NPSH, no "
    "efficiency and no heat.",
    "Starting current falls with speed in a straight line; contactors, drive and 24 V answer to one voltage.",
    "The library's conductivity is off by 8 % at 5 degC and 5 % at 45 degC at the potassium chloride "
    "standard, so the wide comparison of conductivity says little; the standard itself is met within 0.2 %.",
)
