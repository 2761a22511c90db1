"""Whatever happens in whatever order, the outputs keep the requirements. Judged from images only.

Hypothesis writes the stories: commands, faults, frozen images, resets, power losses, changes of setpoints, a
step back to an earlier moment, and time in steps of a scan up to hours. The observer judges every scan.

``SKIDPROOF_STORIES=N`` plays N random stories instead of the fixed ones; see DEVELOPERS.md.
"""

from __future__ import annotations

import os
from collections import Counter
from functools import cache

from bank_watches import ALL_IDS
from harness import QUICK, Values
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test
from observing import BANK_CONTACTS, UNIT_CONTACTS, Recall
from story_bank import Ramp, StoryBank

from controller.signals import Verb
from controller.unit.states import STATES

FIXED_STORIES, RULES_IN_A_STORY = 40, 30
DRY_RUN_S, EVERY_S = 200, 5

BROKEN_MA = (0.0, 3.5, 3.7, 20.8, 21.5, 24.0, float("nan"), float("inf"))
UNIT_VALUES: dict[str, tuple[float, ...]] = {
    "suction_bar": (0.0, 0.2, 0.6, 1.0, 2.5, 5.9),
    "membrane_bar": (0.0, 3.0, 9.0, 15.0, 20.0),
    "permeate_us": (0.0, 100.0, 380.0, 500.0, 900.0),
    "permeate_m3h": (0.0, 1.0, 2.4),
    "concentrate_m3h": (0.0, 0.5, 1.3, 3.0),
    "suction_ma": BROKEN_MA,
    "membrane_ma": BROKEN_MA,
    "permeate_cond_ma": BROKEN_MA,
    "permeate_flow_ma": BROKEN_MA,
    "concentrate_flow_ma": BROKEN_MA,
}
BANK_VALUES: dict[str, tuple[float, ...]] = {
    "header_bar": (0.0, 0.8, 1.5, 2.0, 2.9, 4.0),
    "feed_m3h": (0.0, 0.2, 20.0),
    "feed_degc": (5.0, 41.0, 43.0),
    "feed_ms_cm": (0.1, 9.0),
    "chlorine_mgl": (0.06, 0.2),
    "product_us": (50.0, 700.0),
    "header_ma": BROKEN_MA,
    "feed_flow_ma": BROKEN_MA,
    "feed_temp_ma": BROKEN_MA,
    "feed_cond_ma": BROKEN_MA,
    "chlorine_ma": BROKEN_MA,
    "booster_speed_ma": BROKEN_MA,
    "tank_level_ma": BROKEN_MA,
    "product_cond_ma": BROKEN_MA,
}
SETPOINTS: dict[str, tuple[float, ...]] = {
    "start_flush_s": (30, 40),
    "start_flush_volume_l": (0, 15, 20),
    "stop_flush_s": (20, 30),
    "settle_s": (3, 6),
    "purge_interval_s": (150, 300, 600),
    "purge_s": (5, 20),
    "quality_flush_s": (20, 60),
    "coast_s": (1, 2, 3),
    "min_off_s": (80, 90),
    "max_starts_per_h": (4, 8),
    "stagger_s": (5, 10),
    "suction_trip_s": (2, 5),
    "suction_retries": (0, 3),
    "tds_blank_start_s": (30, 120),
    "tds_lockout_s": (10, 60, 300),
    "leak_s": (1, 2, 3),
    "drain_capacity_m3h": (9, 20, 100),
    "booster_capacity_m3h": (16, 100),
    "tank_first_pct": (60, 85),
    "boot_s": (2, 5),
    "io_stale_s": (0.5, 1),
    "feed_close_gap_s": (1, 2),
    "antiscalant_grace_min": (0, 1, 30),
    "stagnation_h": (0, 8),
    "max_in_maintenance": (1, 3),
}
CONTACT_FLIPS = [(0, n) for n in BANK_CONTACTS] + [(1, n) for n in UNIT_CONTACTS]
LOOP_FAULTS = [(0, n, v) for n, values in BANK_VALUES.items() for v in values] + [
    (1, n, v) for n, values in UNIT_VALUES.items() for v in values
]
TRIPS: list[tuple[int, str, float | bool]] = [
    *((0, name, False) for name in BANK_CONTACTS),
    *((1, name, False) for name in UNIT_CONTACTS),
    *((1, name, 0.0) for name in ("suction_bar", "suction_ma", "membrane_ma", "permeate_cond_ma")),
    (1, "membrane_bar", 20.0),
    (1, "permeate_us", 500.0),
    (1, "permeate_us", 900.0),
    (0, "level_pct", 96.0),
    (0, "chlorine_mgl", 0.2),
    (0, "header_bar", 0.5),
]
"""What stops a unit or the bank by itself."""
ENDS = ("stands", "mended", "mended, power lost")
LATCHING = ("estop_healthy", "tank_not_overfull", "source_wet", "floor_dry", "sump_ok", "drive_healthy")
RAMPS = [entry for entry in LOOP_FAULTS if not entry[1].endswith("_ma")]
UNITS = st.integers(1, 4)


class Tally:
    """What a whole run of stories has come to."""

    def __init__(self) -> None:
        self.stories = self.scans = 0
        self.states: Counter[str] = Counter()
        self.triggers: Counter[str] = Counter()

    def add(self, bank: StoryBank) -> None:
        """Count one story."""
        self.stories += 1
        self.scans += sum(bank.visited.values()) // bank.n_units
        self.states.update(bank.visited)
        self.triggers.update(bank.watching.triggers)

    def table(self) -> str:
        """For the person who runs it."""
        lines = [f"{self.stories} stories, {self.scans} scans"]
        lines += [f"  {state:14} in {self.states[state]:9} unit scans" for state in STATES]
        lines += [f"  {name:14} put to the test {self.triggers[name]:9} times" for name in ALL_IDS]
        return "\n".join(lines)


@cache
def first_start(n_units: int) -> tuple[StoryBank, ...]:
    """The undisturbed start of a bank, kept every few seconds: from boot to all units producing."""
    bank = StoryBank(n_units)
    kept = []
    for _ in range(DRY_RUN_S // EVERY_S):
        kept.append(bank.fork())
        bank.run(EVERY_S * 10)
    assert any(unit.pump for unit in bank.world.out.units), "the dry run must come to production"
    return tuple(kept)


def trip_and(
    bank: StoryBank, held: Values, trip: tuple[int, str, float | bool], scans: int, then: str
) -> None:
    """Something trips; it stands, or is mended and reset, or power is lost before anybody resets it."""
    held[trip[1]] = trip[2]
    bank.run(scans)
    if then == "stands":
        bank.run(200, 1000)
    else:
        held.pop(trip[1], None)
        bank.run(5)
    if then == "mended":
        bank.put_right()
        bank.run(200, 1000)
    elif then == "mended, power lost":
        bank.lose_power(2_000, Recall.GOOD, new_origin=True)
        bank.run(120, 1000)


def tour(tally: Tally) -> None:
    """Every trip once on two producing units: what stories reach by chance only."""
    for trip in TRIPS:
        for then in ENDS:
            bank = first_start(2)[-1].fork()
            trip_and(bank, bank.world.units[0] if trip[0] else bank.world.bank, trip, 30, then)
            tally.add(bank)
    for contact in LATCHING:
        bank = first_start(2)[-1].fork()
        bank.world.bank[contact] = False
        bank.run(30)
        bank.world.bank[contact] = True
        bank.run(65, 1000)
        bank.press(60)  # held too long: it resets nothing
        bank.run(120, 1000)
        tally.add(bank)


def stories(tally: Tally) -> type[RuleBasedStateMachine]:
    """The machine that plays stories and adds each to the tally."""

    class Story(RuleBasedStateMachine):
        bank: StoryBank

        def unit(self, number: int) -> int:
            return (number - 1) % self.bank.n_units + 1

        def held(self, owner: int, unit: int) -> dict[str, float | bool]:
            world = self.bank.world
            return world.units[self.unit(unit) - 1] if owner else world.bank

        @initialize(n_units=UNITS, moment=st.integers(0, DRY_RUN_S // EVERY_S - 1))
        def begin(self, n_units: int, moment: int) -> None:
            self.bank = first_start(n_units)[moment].fork()

        # --- time
        @rule(scans=st.integers(1, 60))
        def scan_on(self, scans: int) -> None:
            self.bank.run(scans)

        @rule(seconds=st.integers(5, 150))
        def time_passes(self, seconds: int) -> None:
            self.bank.run(seconds, 1000)

        @rule(minutes=st.integers(5, 40))
        def a_while_passes(self, minutes: int) -> None:
            self.bank.run(minutes * 12, 5000)

        @rule(jump_s=st.sampled_from([3, 20, 300, 3600, 30_000]))
        def program_hangs(self, jump_s: int) -> None:
            self.bank.step(1000 * jump_s)

        # --- faults
        @rule(flip=st.sampled_from(LATCHING), scans=st.integers(25, 80))
        def reset_comes_too_early(self, flip: str, scans: int) -> None:
            self.bank.put_right()
            self.bank.until_pumping(300)
            self.bank.world.bank[flip] = False
            self.bank.run(scans)
            self.bank.press(5)
            self.bank.run(30)

        @rule(start=st.integers(0, 25), scans=st.integers(20, 90))
        def sump_fills_in_a_flush(self, start: int, scans: int) -> None:
            self.bank.put_right()
            for _ in range(300):
                if any(out.flush_valve for out in self.bank.world.out.units):
                    break
                self.bank.step(1000)
            self.bank.run(start)
            self.bank.world.bank["sump_ok"] = False
            self.bank.run(scans)

        @rule(m3h=st.sampled_from([0.0, 1.1, 1.6]))
        def flush_brings_little(self, m3h: float) -> None:
            self.bank.put_right()
            for held in self.bank.world.units:
                held["concentrate_m3h"] = m3h
            self.bank.run(200, 1000)

        @rule(trip=st.sampled_from(TRIPS), unit=UNITS, scans=st.integers(2, 60), then=st.sampled_from(ENDS))
        def protection_trips_in_production(
            self, trip: tuple[int, str, float | bool], unit: int, scans: int, then: str
        ) -> None:
            self.bank.put_right()
            self.bank.until_pumping(300)
            trip_and(self.bank, self.held(trip[0], unit), trip, scans, then)

        @rule(flip=st.sampled_from(CONTACT_FLIPS), unit=UNITS, value=st.booleans(), scans=st.integers(0, 40))
        def contact_moves(self, flip: tuple[int, str], unit: int, value: bool, scans: int) -> None:
            self.held(flip[0], unit)[flip[1]] = value
            self.bank.run(scans)

        @rule(flip=st.sampled_from(CONTACT_FLIPS), unit=UNITS, scans=st.integers(1, 40))
        def contact_opens_for_a_moment(self, flip: tuple[int, str], unit: int, scans: int) -> None:
            held = self.held(flip[0], unit)
            held[flip[1]] = False
            self.bank.run(scans)
            held.pop(flip[1], None)

        @rule(name=st.sampled_from(UNIT_CONTACTS), scans=st.integers(1, 60), together=st.booleans())
        def contact_of_all_units_opens(self, name: str, scans: int, together: bool) -> None:
            for held in self.bank.world.units:
                held[name] = False
                self.bank.run(0 if together else 3)
            self.bank.run(scans)

        @rule(flip=st.sampled_from(CONTACT_FLIPS), unit=UNITS, scans=st.integers(10, 30), stop=st.booleans())
        def contact_chatters(self, flip: tuple[int, str], unit: int, scans: int, stop: bool) -> None:
            held = self.held(flip[0], unit)
            for scan in range(scans):
                held[flip[1]] = scan % 2 == 1
                if stop and scan == 9:
                    self.bank.command(Verb.STOP, self.unit(unit), "Ada", None)
                self.bank.step()
            held.pop(flip[1], None)

        @rule(fault=st.sampled_from(LOOP_FAULTS), unit=UNITS, scans=st.integers(0, 60))
        def loop_shows(self, fault: tuple[int, str, float], unit: int, scans: int) -> None:
            held = self.held(fault[0], unit)
            held[fault[1]] = fault[2]
            self.bank.run(scans)

        @rule(fault=st.sampled_from(RAMPS), unit=UNITS, per_s=st.sampled_from([0.02, 0.1, 1.0, 10.0]))
        def loop_drifts(self, fault: tuple[int, str, float], unit: int, per_s: float) -> None:
            owner, name, goal = fault
            held = self.held(owner, unit)
            held.setdefault(name, goal / 2.0 + 1.0)
            self.bank.world.ramps.append(Ramp(held, name, goal, per_s))

        @rule(us=st.sampled_from([500.0, 900.0]), unit=UNITS)
        def water_is_bad(self, us: float, unit: int) -> None:
            self.held(1, unit)["permeate_us"] = us
            self.bank.run(250, 1000)

        @rule(level=st.sampled_from([20.0, 40.0, 60.0, 80.0, 84.9, 85.0, 90.0, 94.95, 97.0]))
        def tank_stands_at(self, level: float) -> None:
            self.bank.world.level_pct = level

        @rule(unit=st.integers(0, 4), scans=st.integers(1, 80))
        def image_freezes(self, unit: int, scans: int) -> None:
            owner = self.unit(unit) if unit else 0
            self.bank.freeze(owner)
            self.bank.run(scans)

        @rule(unit=st.integers(0, 4))
        def image_is_live(self, unit: int) -> None:
            self.bank.thaw(self.unit(unit) if unit else 0)

        @rule(unit=UNITS, scans=st.integers(0, 80))
        def memory_is_struck(self, unit: int, scans: int) -> None:
            self.bank.strike(self.unit(unit))
            self.bank.step()
            self.bank.run(scans)

        @rule(seconds=st.integers(0, 200))
        def all_is_well_again(self, seconds: int) -> None:
            self.bank.heal()
            self.bank.run(seconds, 1000)

        @rule(seconds=st.sampled_from([60, 200, 300]))
        def people_put_it_right(self, seconds: int) -> None:
            self.bank.put_right()
            self.bank.run(seconds, 1000)

        # --- people
        @rule(
            verb=st.sampled_from(Verb),
            unit=st.integers(0, 4),
            by=st.sampled_from(["Ada", "Ada", ""]),
            against=st.sampled_from([None, None, "STANDBY", "PRODUCE", ""]),
            scans=st.integers(0, 40),
        )
        def command_is_given(self, verb: Verb, unit: int, by: str, against: str | None, scans: int) -> None:
            self.bank.command(verb, self.unit(unit) if unit else 0, by, against, reason="a story")
            self.bank.run(scans)

        @rule(unit=UNITS, back=st.booleans())
        def unit_goes_out_for_maintenance(self, unit: int, back: bool) -> None:
            number = self.unit(unit)
            self.bank.command(Verb.MAINTAIN, number, "Ada", None)
            self.bank.run(60, 1000)
            if back:
                self.held(1, number)["selector_auto"] = False
                self.bank.step()
                self.bank.command(Verb.RETURN_TO_SERVICE, number, "Ada", None)
                self.bank.run(20)
                self.held(1, number).pop("selector_auto", None)

        @rule(scans=st.integers(1, 45))
        def reset_is_pressed(self, scans: int) -> None:
            self.bank.press(scans)

        @rule()
        def reset_jams(self) -> None:
            self.bank.world.bank["reset_button"] = True
            self.bank.run(10)

        @rule(change=st.sampled_from([(name, v) for name, values in SETPOINTS.items() for v in values]))
        def setpoint_changes(self, change: tuple[str, float]) -> None:
            self.bank.set(*change)

        # --- power and moments
        @rule(
            off_ms=st.sampled_from([10, 100, 2_000, 60_000, 3_600_000]),
            recall=st.sampled_from([Recall.GOOD, Recall.GOOD, Recall.GOOD, Recall.DAMAGED, Recall.NONE]),
            new_origin=st.booleans(),
            seconds=st.integers(0, 120),
        )
        def power_is_lost(self, off_ms: int, recall: Recall, new_origin: bool, seconds: int) -> None:
            self.bank.lose_power(off_ms, recall, new_origin)
            self.bank.run(seconds, 1000)

        @rule()
        def moment_is_kept(self) -> None:
            self.bank.keep()

        @rule()
        def story_goes_back(self) -> None:
            self.bank.go_back()

        def teardown(self) -> None:
            if hasattr(self, "bank"):
                tally.add(self.bank)

    return Story


def test_no_story_breaks_a_requirement_and_every_requirement_is_put_to_the_test() -> None:
    wanted = os.environ.get("SKIDPROOF_STORIES")
    tally = Tally()
    tour(tally)
    profile = settings(
        max_examples=int(wanted or FIXED_STORIES),
        stateful_step_count=RULES_IN_A_STORY,
        derandomize=wanted is None,
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.generate, Phase.shrink),
        print_blob=False,
    )

    run_state_machine_as_test(stories(tally), settings=profile)

    print(tally.table())
    assert set(tally.states) == {state.value for state in STATES}
    assert {name for name in ALL_IDS if not tally.triggers[name]} == set()


def test_the_stories_use_setpoints_that_the_firmware_knows() -> None:
    assert set(SETPOINTS) <= set(type(QUICK).model_fields)
