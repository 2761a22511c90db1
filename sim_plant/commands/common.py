"""What the commands share: exit codes and the caution."""

from __future__ import annotations

import os

PROVEN, FAILED, BAD_INPUT, NOT_REACHED, STOPPED = range(5)

CAUTION = (
    "Prototype and test bench, not a safety system: no SIL or PL is claimed, and a passing run is no proof "
    "of a safe plant. Local codes and licensed practice come first; lock out, tag out, try out before you "
    "open anything."
)

CORES = min(os.cpu_count() or 1, 64)
