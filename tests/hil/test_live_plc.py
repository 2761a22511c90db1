"""A PLC that is not ours, written in C on libmodbus with a scan of 20 ms, proven live in both wirings.

All meetings run side by side in real time, some five minutes; each process mostly waits.
"""

from __future__ import annotations

from pathlib import Path

from live_plc import Meeting, Proven, build

WITHIN_S = 900.0
ASKED_BY = ("controller", "bench")
RIGHT = {"starting": {"SR-03", "SR-14"}, "stopping": {"SR-19", "SR-28"}}
"""What each case must have put to the test."""
MISTAKES = {
    1: ("starting", "SR-03"),
    2: ("stopping", "SR-28"),
    3: ("stopping", "SR-14"),
    4: ("stopping", "SR-01"),
}
"""Number of the planted mistake, the case that shows it, and the requirement that it breaks."""


def meet_all(tmp_path: Path) -> dict[tuple[str, str, int], Proven]:
    program = build(tmp_path)
    wanted = [(asks, case, 0) for asks in ASKED_BY for case in RIGHT]
    wanted += [(asks, case, mistake) for asks in ASKED_BY for mistake, (case, _broken) in MISTAKES.items()]
    meetings = {}
    for number, (asks, case, mistake) in enumerate(wanted):
        folder = tmp_path / str(number)
        folder.mkdir()
        meetings[asks, case, mistake] = Meeting(program, folder, asks, case, mistake)
    return {what: meeting.end(WITHIN_S) for what, meeting in meetings.items()}


def test_a_right_plc_passes_and_each_planted_mistake_fails_at_its_requirement(tmp_path: Path) -> None:
    """In both wirings: the PLC polls our plant, and the bench writes the PLC's image.

    On a machine that is short of time the rounds are long, and a limit that is kept by little then stays
    open. So the right PLC may leave some open, and must never fail.
    """
    proven = meet_all(tmp_path)
    print({what: (p.code, sorted(p.failed), sorted(p.left_open)) for what, p in proven.items()})
    for (asks, case, mistake), found in proven.items():
        where = f"{asks} asks, {case}, mistake {mistake}\n{found.printed}"
        if mistake == 0:
            assert not found.failed, where
            assert found.code == (1 if found.left_open else 0), where
            assert RIGHT[case] <= found.passed | found.left_open, where
        else:
            assert found.code == 1, where
            assert MISTAKES[mistake][1] in found.failed, where
