"""Requirement on a unit's I/O that is lost and comes back; the loss shows in the bench's marks."""

from __future__ import annotations

from sim_plant.bench.monitors import forms
from sim_plant.bench.monitors.causes import standing
from sim_plant.bench.monitors.observed import UNIT_OUTPUTS, Observed
from sim_plant.bench.monitors.reactions import answers
from sim_plant.bench.monitors.requirement import Requirement
from sim_plant.bench.monitors.tally import Tally
from sim_plant.bench.monitors.tolerance import ROLLING_HOUR_S, ms, shortest_ms


def unit_io_lost(obs: Observed) -> Tally:
    """SR-45."""
    sp = obs.setpoints
    tally = obs.tally(
        f"outputs 0 within {sp.io_lost_s + 0.5:g} s, {sp.io_back_s:g} s stable before a restart, "
        f"{sp.io_retries} losses in 60 min"
    )
    for unit in obs.units:
        lost = standing(obs, unit, "link")
        for name in UNIT_OUTPUTS:
            answers(obs, tally, unit, lost, obs.on(name, unit), sp.io_lost_s, what=f"{name} 0 after")
        losses = [
            span for span in forms.spans(lost) if forms.length_ms(obs.t, span) >= ms(sp.io_lost_s + 0.5)
        ]
        for number, loss in enumerate(losses):
            until = losses[number + 1][0] if number + 1 < len(losses) else obs.n
            _comes_back(obs, tally, unit, loss, until, _is_final(obs, unit, losses[: number + 1]))
    return tally


def _is_final(obs: Observed, unit: int, losses: list[tuple[int, int]]) -> bool:
    """Whether the last of these losses is one more than may be retried within the hour, or since a reset."""
    now_ms = int(obs.t[losses[-1][0]])
    reset = forms.last_row(obs.resets(unit), losses[-1][0]) or 0
    hour_ms = shortest_ms(ROLLING_HOUR_S, obs.scan_ms)
    recent = [start for start, _ in losses if start >= reset and now_ms - int(obs.t[start]) <= hour_ms]
    return len(recent) > obs.setpoints.io_retries


def _comes_back(
    obs: Observed, tally: Tally, unit: int, loss: tuple[int, int], until: int, final: bool
) -> None:
    """Nothing opens before the link has been stable; after the last retry nothing without a reset."""
    _, back = loss
    rises = [forms.next_row(obs.rises(name, unit), back - 1) for name in ("pump", "feed_valve")]
    first = min((row for row in rises if row is not None and row < until), default=None)
    if first is None:
        return
    reset = forms.any_between(obs.resets(unit), back, first)
    if final and not reset:
        tally.broken(int(obs.t[first]), unit, "started again without a reset after one loss too many")
        return
    stable_ms = int(obs.t[first] - obs.t[back])
    text = f"opened {stable_ms / 1000:.1f} s after the return"
    tally.timed(int(obs.t[back]), unit, stable_ms - shortest_ms(obs.setpoints.io_back_s, obs.scan_ms), text)


RULES = (
    Requirement(
        "SR-45",
        "I/O of a unit lost for {io_lost_s:g} s: its outputs off within half a second more; after the return "
        "nothing opens for {io_back_s:g} s, and after more than {io_retries} losses in 60 min since the last "
        "reset not without another.",
        "response",
        ("pump and motor damage", "flooding"),
        ("io_lost_s", "io_back_s", "io_retries"),
        unit_io_lost,
    ),
)
