"""An invented water, from its analysis to the proof of what the study proposes for it.

A water is a folder with ``site.toml`` and ``study.toml``. It gets the bundled cases that its bank can be
asked: one that names a unit which the bank does not have is left out, and counted. Then ``skidproof study``
and, on the folder that it writes, ``skidproof prove``, both as a person would call them.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import sim_plant
from controller.files import InputError
from sim_plant.bench.cases import load_case
from sim_plant.site import Site, demo_folder, load_site
from sim_plant.study.analysis import STUDY_FILE

HERE = Path(__file__).parent
ROOT = Path(sim_plant.__file__).parents[1]
NURSERY = "nursery"
NAMES = (*sorted(path.parent.name for path in HERE.glob(f"*/{STUDY_FILE}")), NURSERY)
IN_THE_WAY = {"pit": ("silica", "silt")}
"""Waters for which the study must find nothing, and what it must name."""
NO_SUCH_UNIT = "the units of the site"


@dataclass(frozen=True)
class Outcome:
    """What came of one water; ``wrong`` is empty when it is as it must be."""

    name: str
    units: int
    proposal: str
    runs: int = 0
    passed: int = 0
    requirements: int = 0  # put to the test
    left_out: int = 0  # cases that need more units
    wrong: tuple[str, ...] = ()

    @property
    def line(self) -> str:
        """One line of the table."""
        proof = f"{self.passed} of {self.runs} runs, {self.requirements} requirements" if self.runs else "-"
        return f"{self.name:9}{self.units:>3} units  {proof:34}{self.left_out:>3} left out  {self.proposal}"


def source_of(name: str) -> Path:
    """The folder of a water."""
    return demo_folder() if name == NURSERY else HERE / name


def fitting_cases(folder: Path) -> list[Path]:
    """Bundled cases whose units the bank of this site has."""
    site = load_site(folder)
    return [path for path in sorted((demo_folder() / "cases").glob("*.toml")) if _fits(path, site)]


def _fits(path: Path, site: Site) -> bool:
    try:
        load_case(path, site)
    except InputError as error:
        if NO_SUCH_UNIT in str(error):
            return False
        raise
    return True


def begin(name: str, folder: Path, wanted: Sequence[str] = ()) -> int:
    """Write the site with its cases, or those whose names begin so; returns how many do not fit."""
    shutil.copytree(source_of(name), folder, ignore=shutil.ignore_patterns("cases"))
    cases = fitting_cases(folder)
    (folder / "cases").mkdir()
    for path in cases:
        if not wanted or path.name.startswith(tuple(wanted)):
            shutil.copy2(path, folder / "cases")
    return len(list((demo_folder() / "cases").glob("*.toml"))) - len(cases)


def skidproof(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """Call the program."""
    command = [sys.executable, "-m", "sim_plant.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)


def tried(name: str, folder: Path, jobs: int = 1, wanted: Sequence[str] = ()) -> Outcome:
    """Study and prove one water in a new folder."""
    left_out = begin(name, folder / "begun", wanted)
    units = load_site(folder / "begun").units
    said = skidproof("study", folder / "begun", "--out", folder / "study", "--jobs", str(jobs))
    words = _outcome_line(said.stdout) or said.stderr.strip()[-200:]
    if name in IN_THE_WAY or said.returncode != 0:
        wrong = [] if name in IN_THE_WAY else ["nothing is proposed"]
        wrong += [] if said.returncode == 1 else [f"study ended with {said.returncode}"]
        wrong += [f"{limit} is not named" for limit in IN_THE_WAY.get(name, ()) if limit not in words]
        return Outcome(name, units, words, left_out=left_out, wrong=tuple(wrong))
    out = folder / "prove"
    made = skidproof("prove", folder / "study" / "site", "--out", out, "--jobs", str(jobs))
    if not (out / "run.json").exists():
        return Outcome(name, units, words, left_out=left_out, wrong=(made.stderr.strip()[-300:],))
    return _judged(Outcome(name, units, words, left_out=left_out), out, made.returncode)


def _outcome_line(stdout: str) -> str:
    told = ("Proposed: ", "No choice holds")
    return next((line for line in stdout.splitlines() if line.startswith(told)), "")


def _judged(outcome: Outcome, out: Path, code: int) -> Outcome:
    told = json.loads((out / "run.json").read_text(encoding="utf-8"))
    wrong = [run["run_id"] for run in told["runs"] if run["verdict"] != "pass"]
    exercised = sum(1 for requirement in told["requirements"] if requirement["triggers"])
    if code != 0 and not wrong:
        wrong.append(f"prove ended with {code}")
    fields = asdict(outcome) | {"runs": len(told["runs"]), "passed": len(told["runs"]) - len(wrong)}
    return Outcome(**fields | {"requirements": exercised, "wrong": tuple(wrong)})


# --- resuming ----------------------------------------------------------------------------------------------


def digest(name: str) -> str:
    """Of all that an outcome depends on: the program, the bundled cases, the water."""
    paths = [*ROOT.glob("controller/**/*.py"), *ROOT.glob("sim_plant/**/*.py")]
    paths += [*demo_folder().glob("cases/*.toml"), *source_of(name).glob("*.toml"), Path(__file__)]
    text = hashlib.sha256()
    for path in sorted(paths):
        text.update(path.read_bytes())
    return text.hexdigest()


def tried_once(name: str, folder: Path, jobs: int) -> Outcome:
    """The outcome that stands in ``folder`` when nothing has changed since, else a new one."""
    kept, now = folder / "outcome.json", digest(name)
    if kept.exists():
        told = json.loads(kept.read_text(encoding="utf-8"))
        if told.pop("digest") == now:
            return Outcome(**told | {"wrong": tuple(told["wrong"])})
    shutil.rmtree(folder, ignore_errors=True)
    outcome = tried(name, folder, jobs)
    kept.write_text(json.dumps({"digest": now, **asdict(outcome)}), encoding="utf-8")
    return outcome
