"""Case files as pytest sees them: a file is a collector, a run is a test.

What is needed only to carry out a run is imported then, so that collecting stays quick.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from controller.files import InputError
from controller.site import SITE_FILE
from sim_plant.bench.cases import Run, load_case
from sim_plant.bench.pytest_plugin import DESK, KEPT
from sim_plant.bench.targets import OUR_FIRMWARE, find_factory, try_factory
from sim_plant.site import Site, load_site

if TYPE_CHECKING:
    from sim_plant.bench.runner import Workshop


def one_line(error: InputError) -> str:
    """The line that ``skidproof prove`` prints, with the options as they are called here."""
    return "skidproof: " + re.sub(r"--(set|controller)\b", r"--skidproof-\1", str(error))


class Desk:
    """What all runs of one process share: the sites that were read, and their workshops."""

    def __init__(self, config: pytest.Config) -> None:
        option = config.option
        self._folder: str | None = option.skidproof_site
        self._seed: int | None = option.skidproof_seed
        self._config = config
        self.overrides: Sequence[str] = option.skidproof_set
        self.controller: str = option.skidproof_controller or OUR_FIRMWARE
        self._sites: dict[Path, Site] = {}
        self._workshops: dict[Path, Workshop] = {}
        self._admitted: dict[str, Path] = {}
        self._marks: set[str] = set()

    def site_for(self, path: Path) -> Site:
        """The site of a file, with a controller that can be made; InputError."""
        folder = _nearest(path) if self._folder is None else Path(self._folder)
        if folder not in self._sites:
            site = load_site(folder, self.overrides)
            try_factory(self.controller, site.units, site.setpoints)
            self._sites[folder] = site
        return self._sites[folder]

    def seed(self, site: Site) -> int:
        """The seed of the plant's noise."""
        return site.file.site.seed if self._seed is None else self._seed

    def workshop(self, site: Site) -> Workshop:
        """The workshop of a site; it keeps every state that was prepared once."""
        from sim_plant.bench.runner import Workshop

        if site.folder not in self._workshops:
            factory = find_factory(self.controller)
            self._workshops[site.folder] = Workshop(site, factory, self.seed(site))
        return self._workshops[site.folder]

    def admit(self, path: Path, site: Site, runs: Sequence[Run]) -> None:
        """Of what goes into one evidence folder: one site, and no run of the same name; InputError."""
        if len(self._sites) > 1:
            raise InputError(f"{path.name}: one evidence folder holds one site, and {site.folder} is another")
        for run in runs:
            if self._admitted.setdefault(run.run_id, path) != path:
                raise InputError(f"{path}: run {run.run_id} is there twice, see {self._admitted[run.run_id]}")

    def register(self, mark: str, text: str) -> str:
        """Let pytest know a marker, so that it may be used under --strict-markers."""
        if mark not in self._marks:
            self._marks.add(mark)
            self._config.addinivalue_line("markers", f"{mark}: {text}")
        return mark


def desk_of(config: pytest.Config) -> Desk:
    """The desk of this process, made when it is asked for."""
    if DESK not in config.stash:
        config.stash[DESK] = Desk(config)
    return config.stash[DESK]


def _nearest(path: Path) -> Path:
    for folder in path.parents:
        if (folder / SITE_FILE).is_file():
            return folder
    raise InputError(f"{path.name}: no {SITE_FILE} beside it or above; --skidproof-site DIR names the site")


class CaseFile(pytest.File):
    """One ``*.case.toml``."""

    def collect(self) -> Iterator[CaseRun]:
        """Its runs; those that start from the same state follow each other, so that it is prepared once."""
        desk = desk_of(self.config)
        try:
            site = desk.site_for(self.path)
            runs = load_case(self.path, site)
            if self.config.option.skidproof_evidence is not None:
                desk.admit(self.path, site, runs)
        except InputError as error:
            raise self.CollectError(one_line(error)) from None
        for run in sorted(runs, key=attrgetter("start")):
            name = _name(run)
            # a whole text, so that pytest reads the values as it does when --lf looks for this test
            node_id = f"{self.nodeid}::{name}"
            yield CaseRun.from_parent(self, name=name, nodeid=node_id, run=run, site=site, desk=desk)


def _name(run: Run) -> str:
    """PRODUCE, or PRODUCE[depth=0.5,for_s=4]."""
    values = ",".join(part.replace(" ", "=", 1) for part in run.variant.split(", "))
    return f"{run.state.value}[{values}]" if values else run.state.value


class CaseRun(pytest.Item):
    """One run of one case: passes when all that it put to the test has passed."""

    def __init__(self, *, run: Run, site: Site, desk: Desk, **others: Any) -> None:
        super().__init__(**others)
        self.run, self.site, self.desk = run, site, desk
        case = run.case
        self.add_marker("skidproof")
        self.add_marker(desk.register(run.state.value, "runs that start in this state"))
        family = "family_" + re.sub(r"\W+", "_", case.family.lower()).strip("_")
        self.add_marker(desk.register(family, f"runs of the family {case.family!r}"))
        for requirement in case.requirements:
            self.add_marker(desk.register(requirement, "runs of cases that name this requirement"))

    def runtest(self) -> None:
        """Carry it out and judge it; what is not proven fails, in sentences and without a traceback."""
        from sim_plant.bench.in_pytest.verdicts import properties, why_not_proven

        result = self.desk.workshop(self.site).carry_out(self.run)
        self.user_properties += properties(result)
        if (folder := self.config.option.skidproof_evidence) is not None:
            from sim_plant.bench.in_pytest.evidence import keep

            self.stash[KEPT] = keep(Path(folder), self.site, result)
        if why := why_not_proven(result):
            pytest.fail(why, pytrace=False)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """File and name, for headlines and logs."""
        return self.path, None, f"{self.path.name}::{self.name}"
