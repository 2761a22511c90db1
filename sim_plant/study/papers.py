"""What a study leaves: the sweep as CSV, a page with plots, the proposal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from markupsafe import Markup

from sim_plant.bench.evidence import About
from sim_plant.bench.evidence.frame import Head, badge, render
from sim_plant.bench.evidence.svg import STYLE
from sim_plant.bench.verdicts import Verdict
from sim_plant.study.analysis import Analysis, Limits
from sim_plant.study.hall import Hall, buffer_lines, hall_plots, header_lines
from sim_plant.study.lists import write_list
from sim_plant.study.plots import Series, plot
from sim_plant.study.points import Figures
from sim_plant.study.proposal import Proposal, allowed_choices, choice_of, why_none
from sim_plant.study.scaling import Saturation, saturation
from sim_plant.study.season import season_lines

SWEEP_FILE, PAGE_FILE, SITE_FOLDER = "sweep.csv", "report.html", "site"
COLUMNS = (
    "purge_interval_s", "purge_s", "restrictor_share", "degc", "net_recovery", "net_production_m3h",
    "mean_tds_mgl", "peak_tds_mgl", "concentration_factor", "calcite_index", "gypsum_index", "silica_index",
    "langelier", "concentrate_ph", "energy_kwh_m3", "drain_m3h", "drain_peak_m3h", "start_loss_l",
    "membrane_most_bar", "purges_h", "starts_h_most", "start_s", "allowed", "broken",
)  # fmt: skip


@dataclass(frozen=True)
class Study:
    """All that was found; ``proposal`` is None when no choice holds every limit."""

    analysis: Analysis
    limits: Limits
    figures: Sequence[Figures]
    allowed_factor: tuple[float, str, float]
    proposal: Proposal | None
    hall: Hall


def row_of(f: Figures) -> tuple[str, ...]:
    """The figures of a point in the order of ``COLUMNS``."""
    numbers = (
        *f.point, f.net_recovery, f.net_production_m3h, f.mean_tds_mgl, f.peak_tds_mgl, f.factor,
        *f.saturation, f.energy_kwh_m3, f.drain_m3h, f.drain_peak_m3h, f.start_loss_l,
        f.membrane_most_bar, f.purges_h, f.starts_h_most,
    )  # fmt: skip
    start = "" if f.start_s is None else f"{f.start_s:g}"
    allowed = "yes" if f.allowed else "no"
    return (*(f"{n:.5g}" for n in numbers), start, allowed, "; ".join(f.broken))


def write_sweep(figures: Sequence[Figures], path: Path) -> None:
    """One line for each point."""
    write_list(path, COLUMNS, (row_of(f) for f in figures))


def outcome(study: Study) -> str:
    """One line."""
    if study.proposal is None:
        return f"No choice holds every limit; in the way: {why_none(study.figures)}"
    point = study.proposal.chosen[0].point
    words = f"Proposed: a purge of {point.purge_s:g} s every {point.purge_interval_s:g} s"
    share = point.restrictor_share
    return words if share == 1.0 else f"{words}, with a restrictor of {share:g} times the fitted Kv"


def coverage(study: Study) -> str:
    """Another: how much was tried."""
    choices = {choice_of(f.point) for f in study.figures}
    factor, mineral, degc = study.allowed_factor
    return (
        f"{len(study.figures)} points, {len(allowed_choices(study.figures))} of {len(choices)} choices hold "
        f"every limit at every temperature. The limit of {mineral} is met at {factor:.2f} times the feed's "
        f"concentration, {degc:g} degC."
    )


def study_html(study: Study, about: About) -> str:
    """The page; ``bench/evidence/study.html`` says how it looks."""
    verdict = Verdict.FAIL if study.proposal is None else Verdict.INCONCLUSIVE  # nothing is proven yet
    feed: list[tuple[float, Saturation]] = [
        (degc, saturation(study.analysis, 1.0, degc)) for degc in study.analysis.degc
    ]
    return render(
        "study.html",
        replace(about, target="one unit of the simulated plant, driven by the study; no controller"),
        Head(outcome(study), badge(verdict), [], coverage(study)),
        study=study,
        feed=feed,
        water=study.analysis.table.model_dump(),
        limits=study.limits.model_dump(),
        columns=COLUMNS,
        rows=[row_of(f) for f in study.figures],
        style=Markup(STYLE),  # our own style sheet
        hall_plots=[[Markup(one) for one in part] for part in hall_plots(study.hall)],
        header_lines=header_lines(study.hall.headers) if study.hall.headers else [],
        buffer_lines=buffer_lines(study.hall.buffer) if study.hall.buffer else [],
        season_lines=season_lines(study.hall.season) if study.hall.season else [],
        plots=[Markup(one) for one in plots(study)],  # our own SVG; its texts were escaped when it was drawn
    )


def plots(study: Study) -> list[str]:
    """Four: production and quality over the interval, saturation and recovery over the restrictor."""
    good = set(allowed_choices(study.figures))
    degc = study.analysis.degc[1]
    fitted = min({f.point.restrictor_share for f in study.figures}, key=lambda share: abs(share - 1.0))
    chosen = study.proposal.chosen[0].point if study.proposal else study.figures[0].point
    at_middle = [f for f in study.figures if f.point.degc == degc and f.point.restrictor_share == fitted]
    at_choice = [
        f
        for f in study.figures
        if (f.point.purge_interval_s, f.point.purge_s) == (chosen.purge_interval_s, chosen.purge_s)
    ]

    def by_purge(name: str) -> list[Series]:
        return [
            Series(f"purge {s:g} s", [
                (f.point.purge_interval_s, float(getattr(f, name)), choice_of(f.point) in good)
                for f in at_middle if f.point.purge_s == s
            ])
            for s in sorted({f.point.purge_s for f in at_middle})
        ]  # fmt: skip

    def by_degc(value: int) -> list[Series]:
        return [
            Series(f"{t:g} degC", [
                (f.point.restrictor_share, (f.saturation.calcite, f.net_recovery)[value],
                 choice_of(f.point) in good)
                for f in at_choice if f.point.degc == t
            ])
            for t in sorted({f.point.degc for f in at_choice})
        ]  # fmt: skip

    limits, interval, share = study.limits, "purge interval, s", "restrictor, of the fitted Kv"
    return [
        plot("Net production, m3/h", interval, by_purge("net_production_m3h")),
        plot("Mean permeate TDS, mg/L", interval, by_purge("mean_tds_mgl"), limits.permeate_tds_mgl),
        plot("Calcite in the concentrate, index", share, by_degc(0), limits.calcite_index),
        plot("Net recovery", share, by_degc(1)),
    ]
