"""An evidence folder of ``prove`` held against a site: what of it counts, and why the rest does not."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
from pydantic import TypeAdapter, ValidationError

from controller.files import InputError
from sim_plant.bench.cases import Run
from sim_plant.bench.evidence import About
from sim_plant.bench.evidence.exports import plain
from sim_plant.bench.evidence.summary import in_order
from sim_plant.bench.targets import OUR_FIRMWARE
from sim_plant.bench.verdicts import Finding, RunResult
from sim_plant.site import Site

FORMAT = "skidproof run 1"
_FINDINGS = TypeAdapter(list[Finding])
_ABOUT = TypeAdapter(About)


@dataclass(frozen=True)
class Taken:
    """What counts of a folder. ``refused`` says why nothing does, ``passed_over`` why single runs do not."""

    folder: Path | None = None
    about: About | None = None
    refused: tuple[str, ...] = ()
    results: tuple[RunResult, ...] = ()
    passed_over: tuple[str, ...] = ()


def take(folder: Path, site: Site, runs: Sequence[Run], in_force: Sequence[dict[str, float]]) -> Taken:
    """Hold the folder against the site; ``in_force`` are the settings with which a result may have been made.

    InputError when the folder is no evidence folder at all.
    """
    about, results = _read(folder / "run.json")
    refused = tuple(_differences(folder, about, site, in_force))
    if refused:
        return Taken(folder, about, refused)
    known = {run.run_id: run for run in runs}
    counted, passed_over = [], []
    for result in in_order(results):
        why = _not_the_case(result, known.get(result.run_id))
        if why:
            passed_over.append(f"{result.run_id}: {why}")
        else:
            counted.append(result)
    return Taken(folder, about, (), tuple(counted), tuple(passed_over))


def _read(path: Path) -> tuple[About, list[RunResult]]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(content, dict) or content.get("format") != FORMAT:
            raise InputError(f"{path}: is not a {FORMAT!r}; name an evidence folder of skidproof prove")
        return _ABOUT.validate_python(content["about"]), [_result(row) for row in content["runs"]]
    except OSError as error:
        raise InputError(f"{path}: {error.strerror or error}; name an evidence folder of prove") from error
    except (ValueError, KeyError, TypeError) as error:
        kind = "not as prove writes it" if isinstance(error, ValidationError) else str(error)
        raise InputError(f"{path}: cannot be read as evidence: {kind}") from error


def _result(row: dict[str, Any]) -> RunResult:
    return RunResult(
        run_id=str(row["run_id"]),
        case=str(row["case"]),
        family=str(row["family"]),
        source=str(row["source"]),
        state=str(row["state"]),
        variant=str(row["variant"]),
        unit=int(row["unit"]),
        seed=int(row["seed"]),
        requirements=_FINDINGS.validate_python(row["requirements"]),
        expectations=_FINDINGS.validate_python(row["expectations"]),
        strike_ms=int(row["strike_ms"]),
        error=str(row["error"]),
    )


def _differences(
    folder: Path, about: About, site: Site, in_force: Sequence[dict[str, float]]
) -> Iterator[str]:
    """Each way in which the evidence was made of something else."""
    if about.site != site.name:
        yield f"it was made for the site {about.site}, not {site.name}"
    if about.version != version("skidproof"):
        yield f"it was made with version {about.version}, not {version('skidproof')}"
    if not about.target.startswith(OUR_FIRMWARE):
        yield f"it was made with {about.target}, not with the firmware whose tables are printed here"
    if about.settings not in in_force:
        yield f"it was made with other settings: {_other_settings(about.settings, in_force[0])}"
    if about.plant != plain(site.file.plant.model_dump()):
        yield "it was made with other values of the simulated plant"
    records = sorted((folder / "records").glob("*.parquet"))
    if not records:
        return
    units = (pq.read_schema(records[0]).metadata or {}).get(b"skidproof.units", b"").decode()
    if units != str(site.units):
        yield f"it was made with {units or 'an unknown number of'} units, not {site.units}"
    elif (scan_ms := _scan_ms(records[0])) not in (0, site.file.site.scan_ms):
        yield f"it was made with a scan of {scan_ms} ms, not {site.file.site.scan_ms} ms"


def _scan_ms(record: Path) -> int:
    """Distance of the first two rows of a record, 0 for a record of fewer."""
    times = pq.read_table(record, columns=["t_ms"]).column("t_ms").slice(0, 2).to_pylist()
    return int(times[1] - times[0]) if len(times) > 1 else 0


def _other_settings(made: dict[str, float], ours: dict[str, float]) -> str:
    names = sorted({*made, *ours})
    told = [
        f"{name} = {_value(made, name)}, not {_value(ours, name)}"
        for name in names
        if made.get(name) != ours.get(name)
    ]
    return "; ".join(told)


def _value(settings: dict[str, float], name: str) -> str:
    return f"{settings[name]:g}" if name in settings else "unknown"


def _not_the_case(result: RunResult, run: Run | None) -> str:
    """Why a result is none of the site's present cases, or ""."""
    if run is None:
        return "the site has no such case now"
    texts = {expectation.text for expectation in run.case.expect}
    judged = {finding.name for finding in result.expectations}
    same = run.case.title == result.case and run.state.value == result.state and run.variant == result.variant
    return "" if same and (result.error or texts <= judged) else "the case was changed since"
