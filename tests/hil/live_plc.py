"""The stand-in PLC on this machine, met by the ``skidproof`` command: built, started, and what came of it."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sim_plant.site import load_site
from tests.ports import free_port

HERE = Path(__file__).parent
SITE = HERE / "live_site"
WIRINGS = {"controller": HERE / "polling.toml", "bench": HERE / "serving.toml"}
"""By who asks."""
TCP = 'host = "127.0.0.1"\nport = 1502\n'
QUICK = {"boot_s": 2, "resume_s": 5, "resume_step_s": 0, "header_ramp_bar_s": 0.5, "drain_capacity_m3h": 5}
"""Setpoints with which a bank comes to rest sooner after power-up, and has one flush slot."""
FLAGS = ("-std=c11", "-O2", "-Wall", "-Wextra", "-Werror")


def build(folder: Path) -> Path:
    """Compile the PLC with its line; fails with what to install."""
    program = folder / "plc"
    sources = sorted(str(path) for path in (HERE / "plc").rglob("*.c"))
    command = ["cc", *FLAGS, "-I", str(HERE / "plc"), "-o", str(program), *sources, "-lmodbus", "-lm"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except FileNotFoundError as error:
        raise AssertionError("no C compiler: apt-get install gcc libc6-dev libmodbus-dev") from error
    assert done.returncode == 0, f"apt-get install gcc libc6-dev libmodbus-dev?\n{done.stderr}"
    return program


@dataclass(frozen=True)
class Place:
    """Where bench and PLC meet: the lines of the wiring's link, and what the PLC is told."""

    link: str
    of_plc: str


def tcp_place() -> Place:
    """A TCP port of this machine."""
    port = free_port()
    return Place(f'host = "127.0.0.1"\nport = {port}\n', str(port))


def serial_place(of_bench: str, of_plc: str) -> Place:
    """The two ends of a serial line. A master waits longer on one, as it rests after each loss."""
    link = f'serial = "{of_bench}"\nbaud = 115200\nparity = "none"\ntimeout_ms = 500\n'
    return Place(link, of_plc)


def make_site(folder: Path, asks: str, place: Place, setpoints: Mapping[str, float] = {}) -> Path:
    """The site of the live tests, wired to this place; ``setpoints`` are added to its own."""
    site = folder / "site"
    shutil.copytree(SITE, site)
    with (site / "site.toml").open("a", encoding="utf-8") as file:
        file.writelines(f"{name} = {value}\n" for name, value in setpoints.items())
    wiring = WIRINGS[asks].read_text(encoding="utf-8")
    assert wiring.count(TCP) == 1
    (site / "wiring.toml").write_text(wiring.replace(TCP, place.link), encoding="utf-8")
    return site


def start_plc(program: Path, site: Path, asks: str, place: Place, mistake: int = 0) -> subprocess.Popen[str]:
    """The PLC with the site's setpoints, running until it is killed."""
    way = "--poll" if asks == "controller" else "--serve"
    return start([str(program), way, place.of_plc, "--mistake", str(mistake), *_settings(site)])


def start_skidproof(*arguments: str) -> subprocess.Popen[str]:
    """The command in a process of its own."""
    return start([sys.executable, "-m", "sim_plant.cli", *arguments])


def start(command: Sequence[str]) -> subprocess.Popen[str]:
    """A process with all that it says in one pipe."""
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=HERE.parents[1]
    )


def end(*processes: subprocess.Popen[str]) -> None:
    """Kill what still runs, and wait for it."""
    for process in processes:
        process.kill()
        process.communicate()


def _settings(site: Path) -> list[str]:
    values = load_site(site, ()).setpoints.model_dump()
    return [word for name, value in values.items() for word in ("--set", f"{name}={float(value):g}")]


@dataclass(frozen=True)
class Proven:
    """What a proof came to: exit code, requirements that failed, stayed open and passed, all its words."""

    code: int
    failed: frozenset[str]
    left_open: frozenset[str]
    passed: frozenset[str]
    printed: str


class Meeting:
    """One PLC and one proof of it, both in processes of their own, running until ``end``."""

    def __init__(
        self,
        program: Path,
        folder: Path,
        asks: str,
        case: str,
        mistake: int = 0,
        place: Place | None = None,
        setpoints: Mapping[str, float] = {},
    ) -> None:
        self._out = folder / "evidence"
        place = place or tcp_place()
        site = make_site(folder, asks, place, setpoints)
        real = ("--drive-real-outputs",) if place.link.startswith("serial") else ()
        self._plc = start_plc(program, site, asks, place, mistake)
        self._proof = start_skidproof(
            "prove", str(site), "--live", asks, *real, "--case", case, "--out", str(self._out)
        )

    def end(self, within_s: float) -> Proven:
        """Wait for the proof; the PLC is ended, whatever happens."""
        try:
            printed, _nothing = self._proof.communicate(timeout=within_s)
        finally:
            end(self._proof, self._plc)
        assert (self._out / "run.json").exists(), printed
        verdicts = [
            (finding["name"], finding["verdict"])
            for run in json.loads((self._out / "run.json").read_text(encoding="utf-8"))["runs"]
            for finding in (*run["requirements"], *run["expectations"])
        ]
        failed, left_open, passed = (
            frozenset(name for name, verdict in verdicts if verdict == word)
            for word in ("fail", "inconclusive", "pass")
        )
        return Proven(self._proof.returncode, failed, left_open, passed, printed)
