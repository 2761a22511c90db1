"""A PLC that is not ours, on a serial line of pseudo-terminals, proven live in both wirings.

A pseudo-terminal has no baud rate, so the rounds are shorter than on a real line; frames, checksums and
silences are those of RTU. Four meetings side by side, some two and a half minutes of real time.
"""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

from live_plc import QUICK, Meeting, build, serial_place

from tests.controller.modbus.lines import SerialCable

WITHIN_S = 600.0
STARTS_TOGETHER = 3
"""Of the mistakes that may be planted: one flush slot too many."""


def test_a_right_plc_on_a_serial_line_passes_and_a_planted_mistake_fails(tmp_path: Path) -> None:
    """In both wirings: the PLC is the master of the line, or answers the bench.

    On a machine that is short of time a limit may stay open, as in ``test_live_plc``.
    """
    program = build(tmp_path)
    with ExitStack() as stack:
        meetings = {}
        for asks in ("controller", "bench"):
            for mistake in (0, STARTS_TOGETHER):
                of_bench, of_plc = stack.enter_context(SerialCable()).names
                folder = tmp_path / f"{asks}-{mistake}"
                folder.mkdir()
                place = serial_place(of_bench, of_plc)
                meetings[asks, mistake] = Meeting(program, folder, asks, "flushing", mistake, place, QUICK)
        proven = {what: meeting.end(WITHIN_S) for what, meeting in meetings.items()}
    for (asks, mistake), found in proven.items():
        where = f"{asks} asks, mistake {mistake}\n{found.printed}"
        if mistake:
            assert (found.code, "SR-17" in found.failed) == (1, True), where
        else:
            assert not found.failed, where
            assert found.code == (1 if found.left_open else 0), where
            assert {"SR-17", "SR-50"} <= found.passed | found.left_open, where
