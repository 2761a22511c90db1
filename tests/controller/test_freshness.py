"""When is an image proven, when is a device ours: rules without a line."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.drivers.freshness import STANDSTILL_MS, TAKE_OVER_MS, Shown, Watch, went_back

OURS, THEIRS = 7, 9


def watch(**marks: float) -> Watch:
    return Watch("skid3", OURS, **marks)


# --- age ----------------------------------------------------------------------------------------------------


def test_nothing_is_fresh_before_the_first_answer() -> None:
    assert watch().fresh_ms is None


def test_one_answer_does_not_prove_that_a_counter_moves() -> None:
    w = watch()
    w.shown(Shown(life=5), 100)
    assert w.fresh_ms is None


def test_the_age_counts_from_the_last_round_in_which_life_had_changed() -> None:
    w = watch()
    for asked_ms, life in ((100, 5), (200, 6), (300, 6), (400, 6)):
        w.shown(Shown(life=life), asked_ms)
    assert w.fresh_ms == 200


def test_a_device_without_a_counter_is_as_fresh_as_its_answers() -> None:
    w = watch()
    w.shown(Shown(), 100)
    w.missed("nothing came back")
    assert w.fresh_ms == 100


def test_the_age_counts_from_the_heartbeat_that_the_device_shows() -> None:
    w = watch()
    w.shown(Shown(life=1, heartbeat_seen=0), 100)
    for heartbeat, sent_ms in ((41, 200), (42, 300), (43, 400)):
        w.wrote(heartbeat, sent_ms)
        w.shown(Shown(life=heartbeat, heartbeat_seen=min(heartbeat, 42)), sent_ms)
    assert w.fresh_ms == 300


def test_a_heartbeat_that_was_never_sent_proves_nothing() -> None:
    w = watch()
    w.wrote(41, 100)
    for asked_ms in (100, 200, 300):
        w.shown(Shown(life=asked_ms, heartbeat_seen=99), asked_ms)
    assert w.fresh_ms is None


def test_a_heartbeat_of_an_earlier_time_around_is_not_taken_for_the_new_one() -> None:
    """Given a counter that came round: of two moments at which 41 was sent, the newer one counts."""
    w = watch()
    w.wrote(41, 100)
    w.wrote(41, 900)
    w.shown(Shown(life=1, heartbeat_seen=41), 900)
    w.shown(Shown(life=2, heartbeat_seen=41), 1000)
    assert w.fresh_ms == 900


def test_a_counter_that_stands_still_is_told_once_and_once_when_it_moves_again() -> None:
    w = watch()
    for asked_ms in range(0, STANDSTILL_MS + 500, 100):
        w.shown(Shown(life=1), asked_ms)
    w.shown(Shown(life=2), 2000)
    w.shown(Shown(life=3), 2100)
    standing, moving = w.words.take()
    assert "stands still" in standing
    assert "moves again" in moving


@given(st.lists(st.tuples(st.integers(1, 500), st.integers(0, 2)), max_size=50))
def test_an_image_is_never_younger_than_the_last_change_of_life(steps: list[tuple[int, int]]) -> None:
    """Whatever the counter does, the age is that of the last round in which it had changed, and not late."""
    w, now_ms, life, new_ms = watch(), 0, 0, 0
    changed_ms = None
    for i, (step_ms, more) in enumerate(steps):
        now_ms, life = now_ms + step_ms, life + more
        w.shown(Shown(life=life), now_ms)
        if i and more and now_ms - new_ms < STANDSTILL_MS:
            changed_ms = now_ms
        new_ms = now_ms if more or not i else new_ms
        assert w.fresh_ms == changed_ms


@given(
    st.lists(st.tuples(st.sampled_from(["write", "hear", "deaf", "miss"]), st.integers(1, 900)), max_size=60)
)
def test_an_image_is_never_younger_than_what_the_device_has_heard(story: list[tuple[str, int]]) -> None:
    """Given a device whose scans go on while it hears, or not, what is written to it."""
    w, now_ms, sent, heard_ms, seen = watch(), 0, 0, None, 0
    moments: dict[int, int] = {}
    for what, step_ms in story:
        now_ms += step_ms
        if what == "miss":
            w.missed("nothing came back")
            continue
        sent += 1
        w.wrote(sent, now_ms)
        moments[sent] = now_ms
        if what == "hear":
            seen = sent
        w.shown(Shown(life=now_ms % 65536, heartbeat_seen=seen), now_ms)
        heard_ms = moments.get(seen)
        if w.fresh_ms is not None:
            assert heard_ms is not None
            assert w.fresh_ms <= heard_ms


# --- started anew -------------------------------------------------------------------------------------------


def test_a_device_that_was_started_anew_is_told_and_lives_when_its_new_life_moves() -> None:
    w = watch()
    w.shown(Shown(life=40_000), 0)
    w.shown(Shown(life=3), 100)
    assert w.fresh_ms is None
    assert any("started anew" in line for line in w.words.take())
    w.shown(Shown(life=4), 200)
    assert w.fresh_ms == 200


@pytest.mark.parametrize(
    "anew",
    [
        pytest.param(Shown(life=2, heartbeat_seen=1, owner_seen=OURS), id="life went back"),
        pytest.param(Shown(life=5_001, heartbeat_seen=1, owner_seen=0), id="mark forgotten"),
        pytest.param(Shown(life=5_001, heartbeat_seen=0, owner_seen=OURS), id="heartbeat forgotten"),
    ],
)
def test_a_device_that_began_anew_must_rest_and_gives_no_image_for_a_while(anew: Shown) -> None:
    """Given outputs that fell where nobody could see; what had been driven must not come on again (F75)."""
    w = Watch("skid1", OURS, rests=True)
    w.shown(Shown(life=4_999, heartbeat_seen=0, owner_seen=0), 0)
    w.wrote(1, 50)
    w.shown(Shown(life=5_000, heartbeat_seen=1, owner_seen=OURS), 100)
    assert not w.must_rest
    w.shown(anew, 200)
    assert w.must_rest
    for n in range(1, 10):
        w.wrote(1 + n, 200 + 100 * n)
        w.shown(Shown(life=anew.life + n, heartbeat_seen=1 + n, owner_seen=OURS), 200 + 100 * n)  # type: ignore[operator]  # each has one
        assert (w.must_rest, w.fresh_ms) == (True, None)
    w.wrote(20, 1_200)
    w.shown(Shown(life=anew.life + 10, heartbeat_seen=20, owner_seen=OURS), 1_200)  # type: ignore[operator]  # as above
    assert (w.must_rest, w.fresh_ms) == (False, 1_200)


def test_a_life_that_changed_while_nobody_looked_is_no_sign_of_now() -> None:
    """Given a device that made one more scan after our last look and stood still since then (F68)."""
    w = watch()
    w.shown(Shown(life=7), 0)
    w.shown(Shown(life=8), 100)
    w.shown(Shown(life=9), 3_000)
    assert w.fresh_ms == 100
    w.shown(Shown(life=10), 3_100)
    assert w.fresh_ms == 3_100


@pytest.mark.parametrize("olds", [1, 2, 5, 12])
def test_a_life_that_stands_still_between_old_answers_is_no_sign_of_now(olds: int) -> None:
    """Given a device that stands still at 60, while now and then old answers come in its place (F68)."""
    w = Watch("skid1", OURS, rests=True)
    for n in range(61):
        w.shown(Shown(life=n), 100 * n)
    for n in range(100):
        w.shown(Shown(life=40 if n % (olds + 12) < olds else 60), 6_100 + 100 * n)
        assert w.fresh_ms in (None, 6_000)


def test_a_life_that_moves_on_between_old_answers_is_a_sign_of_now() -> None:
    w = watch()
    for asked_ms, life in ((0, 57), (100, 58), (200, 40), (300, 60)):
        w.shown(Shown(life=life), asked_ms)
    assert w.fresh_ms == 300


def test_a_life_that_changed_after_a_standstill_may_have_stood_for_as_long() -> None:
    """Given one old answer again and again, behind which the device stood still, and then that (F68)."""
    w = watch()
    for asked_ms in range(0, 4_000, 100):
        w.shown(Shown(life=min(7 + asked_ms // 100, 8)), asked_ms)
    w.shown(Shown(life=9), 4_000)
    assert w.fresh_ms == 100
    w.shown(Shown(life=10), 4_100)
    assert w.fresh_ms == 4_100


def test_a_counter_that_runs_over_its_end_was_not_started_anew() -> None:
    w = watch()
    w.shown(Shown(life=65_530), 0)
    w.shown(Shown(life=4), 100)
    assert w.words.take() == []


@given(st.integers(0, 65_535), st.integers(0, 60_000), st.floats(0.0, 1.0))
def test_no_counter_that_goes_forward_is_called_started_anew(
    before: int, elapsed_ms: int, pace: float
) -> None:
    """Given at most one scan in a millisecond."""
    assert not went_back(before, (before + int(elapsed_ms * pace)) % 65_536, elapsed_ms)


@given(st.integers(3_000, 62_000), st.integers(0, 500))
def test_a_counter_that_began_again_is_noticed(before: int, after: int) -> None:
    assert went_back(before, after, 500)


# --- identity -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("wrong", [Shown(identity=12), Shown(identity=float("nan")), Shown(identity=None)])
def test_another_device_gives_no_image_and_is_not_written_to(wrong: Shown) -> None:
    w = watch(identity=4711)
    w.shown(Shown(identity=4711), 100)
    assert w.may_write
    w.shown(wrong, 200)
    assert not w.may_write
    assert w.fresh_ms is None
    (line,) = w.words.take()
    assert "not 4711" in line
    assert "unit id" in line


def test_a_known_value_that_is_not_there_gives_no_image() -> None:
    """Given 12.34 as a float32 whose words are swapped, and then as it should be."""
    w = watch(known=12.34)
    w.shown(Shown(known=-1.3e-23), 100)
    assert w.fresh_ms is None
    w.shown(Shown(known=12.340000152587890625), 200)
    assert w.fresh_ms == 200
    wrong, right = w.words.take()
    assert "word order" in wrong
    assert "right now" in right


def test_after_a_failure_nothing_is_written_until_the_device_has_shown_who_it_is() -> None:
    w = watch(identity=4711)
    w.shown(Shown(identity=4711), 100)
    w.missed("nothing came back")
    assert not w.may_write
    w.shown(Shown(identity=4711), 300)
    assert w.may_write


def test_a_failure_is_told_once_however_long_it_lasts() -> None:
    w = watch()
    for _ in range(50):
        w.missed("nothing came back")
    w.shown(Shown(), 100)
    assert w.words.take() == ["skid3: no image: nothing came back", "skid3: answers again"]


# --- who writes ---------------------------------------------------------------------------------------------


def test_nothing_is_written_before_the_device_has_shown_its_marks() -> None:
    assert not watch().may_write


@pytest.mark.parametrize("owner_seen", [None, 0])
def test_a_device_that_nobody_writes_to_is_ours_at_once(owner_seen: int | None) -> None:
    w = watch()
    w.shown(Shown(owner_seen=owner_seen), 100)
    assert w.may_write


@pytest.mark.parametrize("owner_seen", [OURS, THEIRS])
def test_a_living_master_is_left_alone_even_under_our_own_mark(owner_seen: int) -> None:
    """Given a heartbeat that moves although we write nothing: some program is running already."""
    w = watch()
    for n in range(100):
        w.shown(Shown(owner_seen=owner_seen, heartbeat_seen=n), n * 100)
        assert not w.may_write
    (line,) = w.words.take()
    assert f"master {owner_seen} is writing" in line


def test_a_device_whose_master_is_gone_is_taken_over_after_its_time() -> None:
    w = watch()
    taken_ms = None
    for now_ms in range(0, 2 * TAKE_OVER_MS, 100):
        w.shown(Shown(owner_seen=THEIRS, heartbeat_seen=55), now_ms)
        if w.may_write:
            taken_ms = now_ms
            break
    assert taken_ms == TAKE_OVER_MS


def test_a_device_that_shows_the_former_master_for_a_moment_more_stays_ours() -> None:
    w = watch()
    w.shown(Shown(owner_seen=THEIRS, heartbeat_seen=55), 0)
    w.shown(Shown(owner_seen=THEIRS, heartbeat_seen=55), TAKE_OVER_MS)
    w.shown(Shown(owner_seen=THEIRS, heartbeat_seen=55), TAKE_OVER_MS + 100)
    w.shown(Shown(owner_seen=OURS, heartbeat_seen=1), TAKE_OVER_MS + 200)
    assert w.may_write


def test_without_a_heartbeat_another_mark_is_left_alone_for_ever() -> None:
    w = watch()
    for now_ms in range(0, 10 * TAKE_OVER_MS, 500):
        w.shown(Shown(owner_seen=THEIRS), now_ms)
        assert not w.may_write
    assert len(w.words.take()) == 1


def test_two_masters_end_our_writing_for_good() -> None:
    """Given a device of ours under another mark; then nothing is written, whatever it shows later (F77)."""
    w = watch()
    w.shown(Shown(owner_seen=0, heartbeat_seen=0), 0)
    w.shown(Shown(owner_seen=OURS, heartbeat_seen=1), 100)
    w.shown(Shown(owner_seen=THEIRS, heartbeat_seen=900), 200)
    assert not w.may_write
    for n, owner_seen in enumerate((OURS, 0, THEIRS, 0) * 20):
        w.shown(Shown(owner_seen=owner_seen, heartbeat_seen=900), 300 + n * 100)
        assert not w.may_write
    (line,) = w.words.take()
    assert "two masters: 9" in line


def test_a_device_that_was_started_anew_and_knows_no_master_is_still_ours() -> None:
    w = watch()
    w.shown(Shown(owner_seen=0, heartbeat_seen=0), 0)
    w.shown(Shown(owner_seen=OURS, heartbeat_seen=1), 100)
    w.shown(Shown(owner_seen=0, heartbeat_seen=0), 200)
    assert w.may_write
