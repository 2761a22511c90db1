"""Fill the arrays of what the plant knows to be true, in display units, as ``sim_plant.truth`` names it."""

from __future__ import annotations

import sim_plant.process.layout as at
from sim_plant.process.compiled import compiled_inside
from sim_plant.process.layout import Arrays


@compiled_inside
def fill_truth(a: Arrays) -> None:
    """Write ``unit_truth`` (N, UNIT_TRUTH) and ``bank_truth`` (BANK_TRUTH,) in place from their maps."""
    for k in range(a.unit_map.shape[0]):
        column, scale = int(a.unit_map[k, at.T_COLUMN]), a.unit_map[k, at.T_SCALE]
        for i in range(a.u.shape[0]):
            a.unit_truth[i, k] = a.u[i, column] * scale
    for k in range(a.bank_map.shape[0]):
        a.bank_truth[k] = a.b[int(a.bank_map[k, at.T_COLUMN])] * a.bank_map[k, at.T_SCALE]
