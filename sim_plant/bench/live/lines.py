"""Makes the line to a live controller out of a wiring."""

from __future__ import annotations

from collections.abc import Callable

from controller.drivers.wired import remote_links
from controller.wiring import Wiring
from sim_plant.bench.live.asked import AskedField
from sim_plant.bench.live.loop_check import Line
from sim_plant.bench.live.polled import PolledField


def asked_line(wiring: Wiring, beyond_here: bool, say: Callable[[str], None]) -> Line:
    """The bench asks; nothing is opened before the first image is published."""
    return AskedField(wiring, remote_links(wiring, beyond_here), say)


def polled_line(wiring: Wiring, beyond_here: bool) -> Line:
    """The bench answers from now on; OSError when a port cannot be had."""
    return PolledField(wiring, beyond_here)
