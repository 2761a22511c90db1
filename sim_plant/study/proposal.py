"""From a sweep to setpoints: which choice, why, with what margin, and a site folder that ``prove`` takes."""

from __future__ import annotations

import math
import shutil
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import tomlkit

from controller.settings import Setpoints
from controller.site import SITE_FILE
from sim_plant.site import Site
from sim_plant.study.analysis import STUDY_FILE
from sim_plant.study.flushes import AsLeft, Flushes
from sim_plant.study.points import (
    CLEAR,
    LOCKOUT,
    LOOP_SHARE,
    PRODUCT,
    Figures,
    Order,
    Point,
    flows_of,
    lockout_mgl,
    rounded_up,
)

Choice = tuple[float, float, float]
FACTOR_HELD_MOST = 20.0  # the greatest that [plant.scaling] held_ratio takes
ALIKE = 0.001  # choices whose production differs by less are taken as equal


class Proposed(NamedTuple):
    """One setpoint with its reason and its margin."""

    name: str
    value: float
    before: float
    reason: str
    margin: str


@dataclass(frozen=True)
class Proposal:
    """What is proposed; ``chosen`` are the figures of the choice, one for each temperature."""

    chosen: tuple[Figures, ...]
    setpoints: tuple[Proposed, ...]
    held_factor: float
    held_by: str
    notes: tuple[str, ...]


def choice_of(point: Point) -> Choice:
    """What a person can choose of a point: all but the temperature."""
    return point[:3]


def allowed_choices(figures: Sequence[Figures]) -> list[Choice]:
    """Those at which every limit holds at every temperature, in the order of the sweep."""
    broken = {choice_of(f.point) for f in figures if not f.allowed}
    return [c for c in dict.fromkeys(choice_of(f.point) for f in figures) if c not in broken]


def choose(figures: Sequence[Figures]) -> tuple[Figures, ...]:
    """The figures of the choice to propose; empty when none is allowed.

    The restrictor nearest to the fitted one, then most production (the mean over the temperatures); of
    those that are alike, the longest purge and then the shortest interval, which rinse most.
    """
    of: dict[Choice, list[Figures]] = {c: [] for c in allowed_choices(figures)}
    for f in figures:
        if choice_of(f.point) in of:
            of[choice_of(f.point)].append(f)
    if not of:
        return ()
    nearest = min((c[2] for c in of), key=lambda share: abs(math.log(max(share, 1e-3))))
    of = {c: fs for c, fs in of.items() if c[2] == nearest}
    made = {c: sum(f.net_production_m3h for f in fs) for c, fs in of.items()}
    best = max(made.values())
    alike = [c for c in made if made[c] >= (1.0 - ALIKE) * best]
    return tuple(of[max(alike, key=lambda c: (c[1], -c[0]))])


def why_none(figures: Sequence[Figures]) -> str:
    """Which limits stand in the way, most often first."""
    count = Counter(name for f in figures for name in f.broken)
    return ", ".join(f"{name} ({n} of {len(figures)} points)" for name, n in count.most_common())


def propose(
    order: Order,
    chosen: tuple[Figures, ...],
    made: Sequence[tuple[Flushes, AsLeft]],
    held: tuple[float, str, float],
) -> Proposal:
    """Setpoints for the chosen figures; ``made`` are the flushes at the same temperatures."""
    sheet = _Sheet(order.setpoints)
    _purges(sheet, order, chosen)
    _flush_times(sheet, order, made)
    _quality(sheet, order, chosen)
    _flows(sheet, chosen)
    _as_left(sheet, order, made[len(made) // 2][1])
    factor = min(held[0], FACTOR_HELD_MOST)
    return Proposal(chosen, tuple(sheet.rows), factor, held[1], tuple(sheet.notes))


class _Sheet:
    """The rows so far; a value outside the setpoint's range is brought to its end, and that is said."""

    def __init__(self, before: Setpoints) -> None:
        self.before, self.rows, self.notes = before, list[Proposed](), list[str]()

    def put(self, name: str, value: float, reason: str, margin: str) -> None:
        field = Setpoints.model_fields[name]
        limits = {k: getattr(m, k) for m in field.metadata for k in ("ge", "le") if hasattr(m, k)}
        held = min(max(value, limits.get("ge", value)), limits.get("le", value))
        if held != value:
            self.notes.append(f"{name}: {value:g} is outside its range, {held:g} is proposed")
        self.rows.append(Proposed(name, held, float(getattr(self.before, name)), reason, margin))


def _purges(sheet: _Sheet, order: Order, chosen: Sequence[Figures]) -> None:
    point = chosen[0].point
    worst = min(chosen, key=lambda f: f.net_production_m3h)
    reason = "most production of what was tried and holds every limit at every temperature"
    made, recovered = f"{worst.net_production_m3h:.2f} m3/h", f"{worst.net_recovery:.3f}"
    room, mineral = min(f.saturation.room(order.limits) for f in chosen)
    margin = (
        f"{mineral} {room:.2f} below its limit; at {worst.point.degc:g} degC net {made}, recovery {recovered}"
    )
    sheet.put("purge_interval_s", point.purge_interval_s, reason, margin)
    sheet.put("purge_s", point.purge_s, reason, margin)


def _flush_times(sheet: _Sheet, order: Order, made: Sequence[tuple[Flushes, AsLeft]]) -> None:
    limits, worst = order.limits, {}
    for kind in ("start", "stop"):
        each = [getattr(flush, kind) for flush, _ in made]
        worst[kind] = max(each, key=lambda f: math.inf if f.seconds is None else f.seconds)
        seconds, litres = worst[kind].seconds, max(f.litres for f in each)
        if seconds is None:
            sheet.notes.append(f"{kind} flush: the drain never comes near the feed; it is left as it is")
            continue
        reason = (
            f"drain within {limits.drain_over_feed:g} of the feed's conductivity after {seconds:g} s "
            f"at {worst[kind].degc:g} degC, by simulation"
        )
        margin = f"times {limits.flush_margin:g}"
        proposed = rounded_up(seconds * limits.flush_margin, 5.0)
        sheet.put(f"{kind}_flush_s", proposed, reason, margin)
        sheet.put(f"{kind}_flush_volume_l", rounded_up(litres, 1.0), "volume that passed until then", "none")
        if kind == "start":
            longest = 2.0 * sheet.rows[-2].value
            sheet.put("start_flush_max_s", longest, "twice the start flush (own choice)", "-")


def _quality(sheet: _Sheet, order: Order, chosen: Sequence[Figures]) -> None:
    limit = order.limits.permeate_tds_mgl
    mean = max(f.mean_tds_mgl for f in chosen)
    left = f"{100.0 * (1.0 - mean / limit):.0f} % above the worst mean, {mean:.0f} mg/L"
    sheet.put("tds_alarm_mgl", limit, "the limit of study.toml", left)
    sheet.put("tds_clear_mgl", round(CLEAR * limit), "0.85 of the alarm (own choice)", "-")
    lockout = lockout_mgl(order)
    reason = f"{LOCKOUT:g} of the alarm (own choice)"
    if lockout < math.floor(LOCKOUT * limit):
        reason = f"{LOOP_SHARE:g} of the loop's span (own choice); {LOCKOUT:g} of the alarm is beyond it"
    sheet.put("tds_lockout_mgl", lockout, reason, "-")
    sheet.put("product_tds_mgl", min(round(PRODUCT * limit), lockout), "1.25 of the alarm (own choice)", "-")
    start_s = max(f.start_s or 0.0 for f in chosen)
    reason = f"permeate below the limit {start_s:g} s after the pump's start, after a night at rest"
    margin = order.limits.flush_margin
    sheet.put("tds_blank_start_s", rounded_up(start_s * margin, 5.0), reason, f"times {margin:g}")


def _flows(sheet: _Sheet, chosen: Sequence[Figures]) -> None:
    reasons = (
        "most feed in production",
        "most concentrate in production",
        "most feed in a purge",
        "most drain in it",
    )
    for (name, value), reason in zip(flows_of(chosen).items(), reasons, strict=True):
        sheet.put(name, value, f"{reason}, for the flush slots", "rounded up")


def _as_left(sheet: _Sheet, order: Order, seen: AsLeft) -> None:
    header = order.setpoints.header_bar
    rows = (
        ("as_left_membrane_bar", seen.membrane_bar, 1),
        ("as_left_concentrate_m3h", seen.concentrate_m3h, 2),
        ("as_left_permeate_m3h", seen.permeate_m3h, 2),
        ("as_left_pump_bar", seen.membrane_bar - seen.suction_bar, 2),
        ("as_left_prefilter_bar", header - seen.suction_bar, 2),
    )
    for name, value, places in rows:
        reason = "simulated, middle temperature; replace it by what is measured at hand-over"
        sheet.put(name, round(value, places), reason, "none")


def write_site(site: Site, order: Order, proposal: Proposal, folder: Path) -> None:
    """A site folder with the proposal in place of the setpoints, and the water in place of the source."""
    folder.mkdir(parents=True)
    for name in ("wiring.toml", STUDY_FILE):
        if (site.folder / name).exists():
            shutil.copy2(site.folder / name, folder / name)
    if (site.folder / "cases").is_dir():
        shutil.copytree(site.folder / "cases", folder / "cases")
    document = tomlkit.parse((site.folder / SITE_FILE).read_text(encoding="utf-8"))
    table = document.setdefault("setpoints", tomlkit.table())
    for row in proposal.setpoints:
        value = int(row.value) if float(row.value).is_integer() else row.value
        table[row.name] = tomlkit.item(value).comment(f"{row.reason}; margin: {row.margin}")
    _write_plant(document.setdefault("plant", tomlkit.table()), order, proposal)
    (folder / SITE_FILE).write_text(tomlkit.dumps(document), encoding="utf-8")


def _write_plant(plant: Any, order: Order, proposal: Proposal) -> None:
    source = plant.setdefault("source", tomlkit.table())
    for name in ("tds_profile_h_mgl", "temperature_profile_h_degc"):
        source.pop(name, None)
    for name in ("tds_mgl", "temperature_degc", "osmotic_ratio_to_nacl"):
        source[name] = getattr(order.plant.source, name)
    scaling = plant.setdefault("scaling", tomlkit.table())
    scaling["feed_saturation_ratio"] = 1.0
    held = tomlkit.item(round(max(proposal.held_factor, 1.0), 3))
    scaling["held_ratio"] = held.comment(f"concentration at which the limit of {proposal.held_by} is met")
    share = proposal.chosen[0].point.restrictor_share
    if share != 1.0:
        unit = plant.setdefault("unit", tomlkit.table())
        unit["restrictor_kv_m3h"] = round(order.plant.unit.restrictor_kv_m3h * share, 5)
