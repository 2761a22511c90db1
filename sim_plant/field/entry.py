"""The compiled entry point: one step of the plant and a look at its instruments."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import sim_plant.process.layout as at
from sim_plant.field.instruments import read_contacts, read_loops, step_switches, true_loops
from sim_plant.field.truth import fill_truth
from sim_plant.process.compiled import compiled_and_kept, compiled_inside, source_fingerprint
from sim_plant.process.electrics import step_control
from sim_plant.process.kernel import step_process
from sim_plant.process.layout import Arrays, Floats, compiled_views

Bools = NDArray[np.bool_]
Advance = Callable[[Floats, Floats, Floats, Bools, int, float], int]


@compiled_inside
def look(a: Arrays, dt_s: float) -> None:
    """Switches, loops, contacts and truth of this moment; ``dt_s`` is the time since the last look."""
    for i in range(a.u.shape[0]):
        step_switches(a.p, a.u[i], a.b)
    true_loops(a)
    read_loops(a, dt_s)
    read_contacts(a)
    fill_truth(a)


@cache
def entry_point() -> Advance:
    """``advance(constants, state, scratch, di, n_units, dt_s)``: step and look; ``dt_s`` 0 only looks.

    Compiled once and kept beside the sources; the first use in a new tree takes some seconds. It
    closes over the checksum of all sources that it is made of, so that the kept machine code is
    never older than any of them.
    """
    fingerprint = source_fingerprint(Path(at.__file__).parent, Path(__file__).parent)

    def advance(
        constants: Floats, state: Floats, scratch: Floats, di: Bools, n_units: int, dt_s: float
    ) -> int:
        a = compiled_views(constants, state, scratch, di, n_units)
        if dt_s > 0.0:
            step_process(a, dt_s)
        else:
            step_control(a.b, a.bank_faults, a.bank_out)
        look(a, dt_s)
        return fingerprint

    return compiled_and_kept(advance)
