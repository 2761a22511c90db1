"""A campaign on a PLC that is not ours, live on loopback: cells hold, a planted mistake shows, a PLC dies.

Three campaigns side by side in real time, some three minutes: after power-up a bank owes a flush, and takes
100 s to come to rest. Each process mostly waits.
"""

from __future__ import annotations

import sqlite3
import subprocess
import time
from contextlib import closing
from pathlib import Path

from live_plc import QUICK, build, end, make_site, start_plc, start_skidproof, tcp_place

WITHIN_S = 400.0
BOOSTER_TRIPS = ("--line", "F64", "--moment", "2", "--for", "5")
STARTS_TOGETHER = 3
"""Of the mistakes that may be planted: one flush slot too many."""


class Campaign:
    """One PLC and a campaign on it, each in a process of its own."""

    def __init__(self, program: Path, folder: Path, asks: str, *options: str, mistake: int = 0) -> None:
        folder.mkdir()
        place = tcp_place()
        self.out, self._asks, self._options = folder / "out", asks, options
        self._site = make_site(folder, asks, place, QUICK)
        self.plc = start_plc(program, self._site, asks, place, mistake)
        self.process = self._start()

    def _start(self) -> subprocess.Popen[str]:
        choice = (*BOOSTER_TRIPS, *self._options, "--out", str(self.out))
        return start_skidproof("campaign", str(self._site), "--live", self._asks, *choice)

    def ended(self) -> tuple[int, str]:
        """Exit code and all that was said."""
        said, _nothing = self.process.communicate(timeout=WITHIN_S)
        return self.process.returncode, said

    def again(self) -> tuple[int, str]:
        """The same command once more."""
        self.process = self._start()
        return self.ended()

    def cells(self) -> dict[str, str]:
        """Verdicts of the cells so far, by key."""
        with closing(sqlite3.connect(f"file:{self.out / 'campaign.sqlite'}?mode=ro", uri=True)) as db:
            try:
                return dict(db.execute("SELECT key, verdict FROM cell"))
            except sqlite3.OperationalError:  # not begun yet
                return {}

    def broken(self) -> set[str]:
        """Requirements that failed in any cell."""
        with closing(sqlite3.connect(self.out / "campaign.sqlite")) as db:
            return {name for (name,) in db.execute("SELECT requirement FROM finding WHERE verdict = 'fail'")}

    def end(self) -> None:
        end(self.process, self.plc)


def wait_for_a_cell(campaign: Campaign) -> None:
    """Until the first is written down; processes of their own are waited for, no logic."""
    end_s = time.monotonic() + WITHIN_S
    while not ((campaign.out / "campaign.sqlite").exists() and campaign.cells()):
        assert campaign.process.poll() is None, campaign.ended()
        assert time.monotonic() < end_s, "no cell within the deadline"
        time.sleep(0.1)


def holds(campaign: Campaign) -> None:
    """And the papers of a whole campaign can be had again without its PLC.

    On a machine that is short of time the rounds are long, and a cell may stay open; it must never fail.
    """
    code, said = campaign.ended()
    verdicts = set(campaign.cells().values())
    assert len(campaign.cells()) == 2, said
    assert "pass" in verdicts or "inconclusive" in verdicts, said
    assert "fail" not in verdicts, said
    assert code == (1 if "inconclusive" in verdicts else 0), said
    assert "2 cells, one after another: about " in said
    assert "What answered first was not looked for" in said
    campaign.plc.kill()
    assert campaign.again()[0] == code


def fails_at_the_flush_slots(campaign: Campaign) -> None:
    """And what it did is kept."""
    code, said = campaign.ended()
    assert code == 1, said
    assert "SR-17" in campaign.broken(), said
    (key,) = campaign.cells()
    name = key.replace("/", "-")
    assert (campaign.out / "cases" / f"{name}.case.toml").exists()
    assert (campaign.out / "records" / f"{name}.parquet").exists()
    page = (campaign.out / "report.html").read_text(encoding="utf-8")
    assert "controller that is asked; a round takes" in page
    assert "<svg" in page


def ends_with_what_was_found(campaign: Campaign) -> None:
    """Also when the PLC is still dead at the next try."""
    wait_for_a_cell(campaign)
    campaign.plc.kill()
    code, said = campaign.ended()
    before = campaign.cells()
    assert (code, len(before)) == (3, 1), said
    assert "nobody writes to" in said
    assert "1 of 2 cells were carried out" in said
    code, said = campaign.again()
    assert (code, campaign.cells()) == (3, before), said


def test_a_campaign_on_a_live_plc_holds_fails_and_ends_as_the_plc_does(tmp_path: Path) -> None:
    """The right PLC polls our plant; the one with a mistake is a server; the third one dies."""
    program = build(tmp_path)
    at_rest = ("--states", "STANDBY,WAIT_PERMIT")
    right = Campaign(program, tmp_path / "right", "controller", *at_rest)
    wrong = Campaign(program, tmp_path / "wrong", "bench", "--states", "START_FLUSH", mistake=STARTS_TOGETHER)
    dying = Campaign(program, tmp_path / "dying", "controller", *at_rest)
    try:
        ends_with_what_was_found(dying)
        fails_at_the_flush_slots(wrong)
        holds(right)
    finally:
        for campaign in (right, wrong, dying):
            campaign.end()
