"""``skidproof watch``: the simulated bank, a stored run or a running controller on a live page."""

from __future__ import annotations

import contextlib
import signal
import socket
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer
import uvicorn
from rich.console import Console

from controller.files import InputError
from controller.modbus.settings import is_loopback as is_this_machine
from sim_plant.bench.evidence.console import plain_console
from sim_plant.commands.common import BAD_INPUT, CAUTION, NOT_REACHED, SeedOption, SiteArgument
from sim_plant.desk.events import listen
from sim_plant.desk.guard import Guard, is_loopback
from sim_plant.desk.live import Line, Live, NotMetError, meet
from sim_plant.desk.play import play, read_case
from sim_plant.desk.recording import read_recording
from sim_plant.desk.replay import Replay
from sim_plant.desk.server import Desk
from sim_plant.desk.session import Session
from sim_plant.desk.simulation import Simulation
from sim_plant.desk.still import find_browser, size_of, take_still
from sim_plant.desk.wishes import SPEED_LEAST, SPEED_MOST, RefusedError
from sim_plant.site import demo_folder, load_site

Shown = Simulation | Replay | Live
LOOPBACK = "127.0.0.1"
PORT = 8600
GRACE_S = 1
CONNECTIONS_MAX = 64
STILL_AT_S = 900.0
STILL_SIZE = "1500x1900"
SWITCH_S = 0.000_5  # an answer waits so long at most for the thread that computes; Python's own value is 5 ms


def watch(
    site: SiteArgument = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="TCP port; 0 takes a free one.")] = PORT,
    bind: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="Listen on this address. Beyond loopback the page is not encrypted: whoever reads along "
            "has the key.",
        ),
    ] = LOOPBACK,
    speed: Annotated[
        str,
        typer.Option(metavar="FACTOR", help="Times real time, 0.1 to 1000, or max; the page can change it."),
    ] = "1",
    off: Annotated[bool, typer.Option("--off", help="Start with the bank run selector at stop.")] = False,
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", help="setpoint=number, in place of the site's; may be repeated."),
    ] = None,
    seed: SeedOption = None,
    case: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.case.toml",
            help="First do what this case does, as saved from the page, and stand still at its end.",
        ),
    ] = None,
    record: Annotated[
        Path | None,
        typer.Option(
            metavar="RUN.parquet",
            help="Show this record of a run that prove has kept, read only, in place of a simulation.",
        ),
    ] = None,
    status: Annotated[
        str | None,
        typer.Option(
            metavar="HOST:PORT",
            help="Show the controller that serves its status map there, read only, in place of a simulation.",
        ),
    ] = None,
    still: Annotated[
        Path | None,
        typer.Option(metavar="FILE.png", help="Write one picture of the page and end; needs chromium."),
    ] = None,
    still_at: Annotated[
        float | None,
        typer.Option(
            min=1,
            max=86400,
            metavar="SECONDS",
            help="Plant time of that picture; left out, the end of the case or record, or 900.",
        ),
    ] = None,
    still_size: Annotated[
        str, typer.Option(metavar="WIDTHxHEIGHT", help="Of that picture, in pixels.")
    ] = STILL_SIZE,
) -> None:
    """Show the site's simulated bank on a live page: watch, command, break, wind back, save as a case.

    The address that is printed holds a key, made anew at each start. Ctrl-C or SIGTERM ends it.

    With --record a run is looked at again: skidproof watch --record out/records/RUN.parquet

    With --status a running controller is watched, and nothing is written to it: skidproof watch --status
    127.0.0.1:5020 beside skidproof control my_site --status-port 5020
    """
    errors = plain_console(sys.stderr)
    others: dict[str, object] = {"SITE": site, "--case": case, "--off": off, "--set": set_, "--seed": seed}
    if status is not None:
        others |= {"--record": record, "--still-at": still_at, "--speed": speed if speed != "1" else None}
    given = [name for name, value in others.items() if value not in (None, False)]
    if status is not None:
        _watch_status(status, given, bind, port, still, still_size, errors)
        return
    if record is not None:
        _watch_record(record, given, bind, port, speed, still, still_at, still_size, errors)
        return
    try:
        loaded = load_site(site or demo_folder(), set_ or ())
        listening = _listen(bind, port)
        chosen_seed = loaded.file.site.seed if seed is None else seed
        options = [
            *([f"--seed {seed}"] if seed is not None else []),
            *(f"--set {text}" for text in set_ or ()),
        ]
        factor = _speed(speed)
        story = None if case is None else read_case(case, loaded)
        size = size_of(still_size)
        browser = find_browser() if still is not None else ""
    except InputError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    with listening:
        session = Session(loaded, chosen_seed, off, " ".join(options))
        guard = Guard(bind, listening.getsockname()[1])
        try:
            if story is not None:
                errors.print(f"doing {case}: {story.title}", markup=False, soft_wrap=True)
                play(session, story)
            if still is None:
                _serve(Simulation(session, factor, paused=story is not None), guard, listening, errors)
                return
            if still_at is None:
                still_at = STILL_AT_S if story is None else 0.0
            _write_still(session, round(still_at * 1000), guard, listening, still, browser, size)
        except InputError as error:
            errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
            raise typer.Exit(BAD_INPUT) from error


def _watch_record(
    record: Path,
    others: list[str],
    bind: str,
    port: int,
    speed: str,
    still: Path | None,
    still_at: float | None,
    still_size: str,
    errors: Console,
) -> None:
    """The same page, and a record behind it."""
    try:
        if others:
            raise InputError(f"--record shows what was stored: {', '.join(others)} cannot be given with it")
        replay = Replay(read_recording(record), _speed(speed))
        size = size_of(still_size)
        browser = find_browser() if still is not None else ""
        if still is not None:
            replay.go_to(replay.last_s if still_at is None else still_at)
        with _listen(bind, port) as listening:
            guard = Guard(bind, listening.getsockname()[1])
            if still is None:
                _serve(replay, guard, listening, errors)
            else:
                _draw(replay, guard, listening, still, browser, size)
    except (InputError, RefusedError) as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error


def _watch_status(
    status: str,
    others: list[str],
    bind: str,
    port: int,
    still: Path | None,
    still_size: str,
    errors: Console,
) -> None:
    """The same page, and a running controller behind it."""
    try:
        if others:
            raise InputError(f"--status shows what runs now: {', '.join(others)} cannot be given with it")
        host, target_port = _place(status)
        size = size_of(still_size)
        browser = find_browser() if still is not None else ""
        if not is_this_machine(host):
            errors.print(
                f"{host} is another machine. This page only reads there, so no leave to move outputs is "
                "asked for; what it shows may be a real plant. Modbus has no password and no secrecy.",
                soft_wrap=True,
                markup=False,
            )
        with contextlib.closing(Line(host, target_port)) as line, _listen(bind, port) as listening:
            live = meet(status, line.read)
            guard = Guard(bind, listening.getsockname()[1])
            if still is None:
                _serve(live, guard, listening, errors)
            else:
                _draw(live, guard, listening, still, browser, size)
    except (InputError, NotMetError) as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(NOT_REACHED if isinstance(error, NotMetError) else BAD_INPUT) from error


def _place(text: str) -> tuple[str, int]:
    """Host and port from "127.0.0.1:5020" or "[::1]:5020"."""
    host, _, port = text.rpartition(":")
    bracketed = host.startswith("[") and host.endswith("]")
    if bracketed:
        host = host[1:-1]
    if not host or (":" in host and not bracketed) or not port.isdecimal() or not 0 < int(port) < 65536:
        raise InputError(f"--status {text}: must be HOST:PORT, for example 127.0.0.1:5020")
    return host, int(port)


def _write_still(
    session: Session,
    at_ms: int,
    guard: Guard,
    listening: socket.socket,
    file: Path,
    browser: str,
    size: tuple[int, int],
) -> None:
    """Let the plant come to that moment and have a browser draw the page."""
    while session.now_ms < at_ms:
        session.scan()
    _draw(Simulation(session, paused=True), guard, listening, file, browser, size)


def _draw(
    simulation: Shown,
    guard: Guard,
    listening: socket.socket,
    file: Path,
    browser: str,
    size: tuple[int, int],
) -> None:
    server = _server(simulation, guard)
    serving = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    simulation.start()
    serving.start()
    try:
        take_still(browser, f"{guard.address}/enter?key={guard.key}&still", file, size)
    finally:
        server.should_exit = True
        serving.join()
        simulation.stop()


def _speed(text: str) -> float | None:
    if text == "max":
        return None
    try:
        factor = float(text)
    except ValueError:
        raise InputError(f"--speed {text}: must be a number or max") from None
    if not SPEED_LEAST <= factor <= SPEED_MOST:
        raise InputError(f"--speed {text}: must lie in {SPEED_LEAST:g} to {SPEED_MOST:g}")
    return factor


def _listen(bind: str, port: int) -> socket.socket:
    try:
        return listen(bind, port)
    except OSError as error:
        raise InputError(f"{bind}:{port}: {error.strerror or error}") from error


def _serve(simulation: Shown, guard: Guard, listening: socket.socket, errors: Console) -> None:
    errors.print(CAUTION, style="dim")
    if not is_loopback(guard.host):
        errors.print(
            f"CAUTION: {guard.host} can be reached from other machines, and the page is not encrypted: "
            "whoever reads along has the key. Keep it on a network of its own.",
            soft_wrap=True,
        )
    server = _server(simulation, guard)
    errors.print(
        f"the desk of {simulation.about()['title']}: {guard.address}/enter?key={guard.key}",
        markup=False,
        soft_wrap=True,
    )
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    simulation.start()
    try:
        with _signals_end():
            server.run(sockets=[listening])
    finally:
        simulation.stop()
        sys.setswitchinterval(before_s)
    errors.print("ended", markup=False)


@contextlib.contextmanager
def _signals_end() -> Iterator[None]:
    """SIGINT and SIGTERM end the server, which hands them on afterwards: then they have done their work."""
    before = {number: signal.signal(number, lambda *_: None) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _server(simulation: Shown, guard: Guard) -> uvicorn.Server:
    desk = Desk(simulation, guard, lambda: server.should_exit)
    server = uvicorn.Server(
        uvicorn.Config(
            desk.app(),
            log_level="warning",
            access_log=False,
            server_header=False,
            limit_concurrency=CONNECTIONS_MAX,
            timeout_graceful_shutdown=GRACE_S,
            lifespan="off",
            ws="none",
        )
    )
    return server
