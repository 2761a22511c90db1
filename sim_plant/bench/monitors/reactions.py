"""The forms in which most requirements speak: answer within a time, stay dead until a reset."""

from __future__ import annotations

from dataclasses import dataclass

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.observed import Observed
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import ms, reaction_ms, timer_tolerance_ms
from sim_plant.bench.trace import Bools


@dataclass(frozen=True)
class Answer:
    """One answer to a cause: it began at row ``begun`` and the output fell at row ``row``."""

    begun: int
    row: int
    full: bool  # the cause had been held for its whole time


def answers(
    obs: Observed,
    tally: Tally,
    unit: int,
    cause: Bools,
    output: Bools,
    held_s: float,
    *,
    allowance_s: float = 0.5,
    what: str,
) -> list[Answer]:
    """Always within: when ``cause`` has been held for ``held_s``, ``output`` is 0 soon after.

    The clock starts where the cause meets the running output, and an off of one scan does not stop it. A
    cause that goes before its time is no trigger, nor is an output that falls well before it; nor one that
    the end of the record leaves open.
    """
    limit_ms = reaction_ms(held_s, obs.scan_ms, allowance_s)
    held_ms = ms(held_s)
    found = []
    for start, end, answered in forms.episodes(cause, forms.unblinked(output)):
        took_ms = forms.length_ms(obs.t, (start, end))
        if took_ms > limit_ms or (answered and took_ms >= held_ms - timer_tolerance_ms(held_s)):
            tally.timed(int(obs.t[start]), unit, limit_ms - took_ms, f"{what} {took_ms / 1000:.1f} s")
            if answered:
                found.append(Answer(start, end, full=took_ms >= held_ms))
    return found


def stays_dead(
    obs: Observed,
    tally: Tally,
    unit: int,
    row: int,
    *,
    clear: Bools | None = None,
    why: str = "",
    flushed: bool = False,
) -> None:
    """Unbroken before: after ``row`` neither pump nor feed of the unit opens again without a reset.

    With ``clear``, only a reset at a row where it is true counts. With ``flushed``, the unit is stopped in
    the ordinary way, so the first opening of the feed valve, for its stop flush, is as it should be. A
    unit that never starts again has shown nothing wrong.
    """
    opened = obs.rises("feed_valve", unit)
    first = forms.next_row(opened, row) if flushed else None
    after = row if first is None else first
    starts = (forms.next_row(obs.rises("pump", unit), row), forms.next_row(opened, after))
    start = min((found for found in starts if found is not None), default=None)
    if start is None:
        return
    resets = obs.resets(unit)
    if clear is not None:
        resets = resets[clear[resets]]
    if not forms.any_between(resets, row + 1, start):
        text = f"started again without a valid reset{why}"
        tally.broken(int(obs.t[start]), unit, text, trigger=False)


def never(obs: Observed, tally: Tally, unit: int, wrong: Bools, *, allowed_ms: int, what: str) -> None:
    """Never: the condition lasts no longer than ``allowed_ms``. Adds failures only, no triggers."""
    for span in forms.spans(wrong):
        lasted_ms = forms.length_ms(obs.t, span)
        seen_ms = lasted_ms if span[1] < obs.n else lasted_ms + obs.scan_ms
        if seen_ms > allowed_ms:
            text = f"{what} for {seen_ms / 1000:.1f} s"
            tally.timed(int(obs.t[span[0]]), unit, allowed_ms - seen_ms, text, trigger=False)
