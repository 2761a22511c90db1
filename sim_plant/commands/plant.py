"""``skidproof plant``: the simulated plant as Modbus remote I/O, in real time."""

from __future__ import annotations

import math
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Annotated

import typer
from rich.console import Console
from rich.live import Live
from rich.text import Text

from controller.files import InputError
from controller.modbus.server import ServerThread
from controller.wiring import WIRING_FILE, Wiring, default_wiring, load_wiring
from sim_plant.bench.evidence.console import plain_console
from sim_plant.commands.common import BAD_INPUT, CAUTION, PROVEN, STOPPED, SeedOption, SiteArgument
from sim_plant.plant import Plant
from sim_plant.serve.links import Places, serve_links
from sim_plant.serve.loop import PlantLoop
from sim_plant.serve.remote_io import RemoteIo
from sim_plant.serve.status import LEGEND, Status
from sim_plant.site import Site, demo_folder, load_site

STATUS_S, PIPE_STATUS_S = 1.0, 10.0
LOOK_S = 0.1
SWITCH_S = 0.000_5  # a step waits so long at most for a thread that computes; Python's own value is 5 ms


def plant(
    site: SiteArgument = None,
    for_s: Annotated[
        float | None, typer.Option("--for", metavar="SECONDS", help="Stop after so long; else by a signal.")
    ] = None,
    bind: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Listen on this address; loopback when left out. Modbus has no password: whoever reaches "
            "it may write.",
        ),
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(
            min=0,
            max=65535,
            help="TCP port in place of the wiring's, which has one link; 0 takes a free one.",
        ),
    ] = None,
    off: Annotated[
        bool, typer.Option("--off", help="Start with the bank run selector at stop and every unit at OFF.")
    ] = False,
    seed: SeedOption = None,
) -> None:
    """Serve the simulated plant as Modbus remote I/O, in real time, for a controller that polls it.

    The site's wiring.toml says where each signal lives (skidproof wiring). Selectors stand at run and AUTO.
    Status goes to stderr. Exit codes: 0 ended by --for or SIGTERM, 2 the input is at fault or a port cannot
    be had, 4 stopped by Ctrl-C.
    """
    errors = plain_console(sys.stderr)
    try:
        if for_s is not None and not (math.isfinite(for_s) and for_s > 0):
            raise InputError(f"--for {for_s:g}: must be seconds, more than 0")
        loaded = load_site(site or demo_folder())
        code = _serve(loaded, _wiring(loaded, errors), Places(bind, port), off, seed, for_s, errors)
    except InputError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    raise typer.Exit(code)


def _wiring(site: Site, errors: Console) -> Wiring:
    if (site.folder / WIRING_FILE).exists():
        return load_wiring(site.folder, site.units)
    errors.print(f"note: no {WIRING_FILE} in {site.folder}, so the default one is served", soft_wrap=True)
    return default_wiring(site.units)


def _serve(
    site: Site,
    wiring: Wiring,
    places: Places,
    off: bool,
    seed: int | None,
    for_s: float | None,
    errors: Console,
) -> int:
    built = Plant(site.units, site.file.plant, site.file.site.seed if seed is None else seed)
    if off:
        _turn_off(built)
    io = RemoteIo(wiring, lambda: time.monotonic_ns() // 1_000_000)
    loop = PlantLoop(built, io, site.file.site.scan_ms)
    with ServerThread() as servers:
        served = serve_links(wiring, io, places, servers)
        errors.print(CAUTION, style="dim")
        if places.beyond_loopback:
            errors.print(
                f"CAUTION: {places.bind} can be reached from other machines, and Modbus has no password: "
                "whoever reaches it may write. Keep it on a network of its own.",
                soft_wrap=True,
            )
        for one in served:
            errors.print(one.words, markup=False, soft_wrap=True)
        errors.print(LEGEND)
        return _run(loop, Status(loop, io, served), for_s, errors)


def _turn_off(built: Plant) -> None:
    built.operate("bank_run", 0, False)
    for unit in range(1, built.n_units + 1):
        built.operate("selector_auto", unit, False)


def _run(loop: PlantLoop, status: Status, for_s: float | None, errors: Console) -> int:
    """Step the plant in a thread of its own until the time is over or a signal comes; the exit code."""
    over = threading.Event()
    broken: list[BaseException] = []

    def body() -> None:
        try:
            loop.run(lambda: not over.is_set())
        except BaseException as error:  # a defect; raised again by the main thread
            broken.append(error)
            over.set()

    stepping = threading.Thread(target=body, name="plant", daemon=True)
    with _signals(over) as codes, _short_switches(), _shown(errors) as show:
        stepping.start()
        _watch(status, over, for_s, show)
        over.set()
        stepping.join()
    if broken:
        raise broken[0]
    errors.print(f"ended: {status.line(time.monotonic())}", markup=False, soft_wrap=True)
    return codes[0] if codes else PROVEN


def _watch(
    status: Status, over: threading.Event, for_s: float | None, show: tuple[float, Callable[[str], None]]
) -> None:
    every_s, print_line = show
    begun_s = next_s = time.monotonic()
    while not over.wait(LOOK_S):
        now_s = time.monotonic()
        if for_s is not None and now_s - begun_s >= for_s:
            return
        if now_s >= next_s:
            next_s = now_s + every_s
            print_line(status.line(now_s))


@contextmanager
def _signals(over: threading.Event) -> Iterator[list[int]]:
    """SIGINT and SIGTERM end the run; the exit code of the first is left in the list."""
    codes: list[int] = []
    meant = {signal.SIGINT: STOPPED, signal.SIGTERM: PROVEN}

    def end(number: int, _frame: FrameType | None) -> None:
        codes.append(meant[signal.Signals(number)])
        over.set()

    before = {number: signal.signal(number, end) for number in meant}
    try:
        yield codes
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _short_switches() -> Iterator[None]:
    switch_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(switch_s)


@contextmanager
def _shown(errors: Console) -> Iterator[tuple[float, Callable[[str], None]]]:
    """How often the status is shown, and how: in one place on a terminal, line by line in a pipe."""
    if not errors.is_terminal:
        yield PIPE_STATUS_S, lambda line: errors.print(line, markup=False, soft_wrap=True)
        return
    with Live(console=errors, auto_refresh=False, transient=True) as live:
        yield STATUS_S, lambda line: live.update(Text(line), refresh=True)
