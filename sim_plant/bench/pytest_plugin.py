"""pytest runs case files as tests, one test for each run, and lends a bench to tests written in Python.

pytest loads this module by itself wherever skidproof is installed (entry point ``pytest11``). So it is light:
whatever costs time is imported when the first case file or fixture asks for it.
"""

from __future__ import annotations

import argparse
from collections.abc import Generator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from sim_plant.bench.in_pytest.bench import Bench
    from sim_plant.bench.in_pytest.cases import CaseFile, Desk
    from sim_plant.bench.runner import Workshop
    from sim_plant.site import Site

CASE_ENDING = ".case.toml"
MARK = (
    "skidproof: a run of a case file. It also carries its state (PRODUCE), its family "
    "(family_low_feed_pressure) and each requirement that its case names (SR-04)"
)
DESK = pytest.StashKey["Desk"]()
LENT = pytest.StashKey["Bench"]()
KEPT = pytest.StashKey[str]()
REPORTED = "skidproof_kept"  # a report carries in this attribute what its run has to tell the evidence folder


def _seed(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"{text}: must be a whole number of at least 0")
    return int(text)


def pytest_addoption(parser: pytest.Parser) -> None:
    """The options of ``skidproof prove``, under names that no other plugin has."""
    add = parser.getgroup("skidproof", "case files (*.case.toml)").addoption
    add("--skidproof-site", metavar="DIR", help="Site folder; else the nearest site.toml at or above a file.")
    add("--skidproof-controller", metavar="M:C", help="Controller under test as module:callable.")
    add("--skidproof-seed", metavar="N", type=_seed, help="Seed of the plant's noise; else the site's.")
    add(
        "--skidproof-set",
        metavar="NAME=NUMBER",
        action="append",
        default=[],
        help="Replace a setpoint; may be repeated.",
    )
    add("--skidproof-evidence", metavar="DIR", help="Evidence folder of the case files, new or empty.")


def pytest_configure(config: pytest.Config) -> None:
    """Register the marker, settle folders for workers that stand elsewhere, open the evidence folder."""
    config.addinivalue_line("markers", MARK)
    option = config.option
    for name in ("skidproof_site", "skidproof_evidence"):
        if (folder := getattr(option, name)) is not None:
            setattr(option, name, str(config.invocation_params.dir / folder))
    worker = hasattr(config, "workerinput")
    if option.skidproof_evidence is not None and not worker and not option.collectonly:
        from sim_plant.bench.in_pytest.evidence import Keeper

        config.pluginmanager.register(Keeper(config), "skidproof-evidence")


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> CaseFile | None:
    """Case files are collected like test modules."""
    if not file_path.name.endswith(CASE_ENDING):
        return None
    from sim_plant.bench.in_pytest.cases import CaseFile

    return CaseFile.from_parent(parent, path=file_path)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, Any, Any]:
    """A test that was lent a rig and did not ask for a verdict is judged when it ends."""
    answer = yield
    if (lent := item.stash.get(LENT, None)) is not None:
        lent.settle()
    return answer


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Let what a run has to tell the evidence folder travel with its report, from a worker too."""
    report = yield
    if call.when == "call" and KEPT in item.stash:
        vars(report)[REPORTED] = item.stash[KEPT]
    return report


def _desk(config: pytest.Config) -> Desk:
    from sim_plant.bench.in_pytest.cases import desk_of

    return desk_of(config)


@pytest.fixture(scope="module")
def site(request: pytest.FixtureRequest) -> Site:
    """The site, read and found sound: nearest site.toml at or above the test's file, or --skidproof-site."""
    from controller.files import InputError
    from sim_plant.bench.in_pytest.cases import one_line

    try:
        return _desk(request.config).site_for(request.path)
    except InputError as error:
        pytest.fail(one_line(error), pytrace=False)


@pytest.fixture(scope="module")
def workshop(request: pytest.FixtureRequest, site: Site) -> Workshop:
    """Prepared states of the site's bank, shared by all tests and case files of this process."""
    return _desk(request.config).workshop(site)


@pytest.fixture
def bench(request: pytest.FixtureRequest, site: Site, workshop: Workshop) -> Bench:
    """``rig = bench("PRODUCE", unit=2)`` lends a rig; ``bench.judge()`` gives the requirements' findings."""
    from sim_plant.bench.in_pytest.bench import Bench

    lent = request.node.stash[LENT] = Bench(site, workshop, request.node)
    return lent
