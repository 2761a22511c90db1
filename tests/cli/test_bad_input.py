"""Input that is at fault is refused before anything runs: exit 2, one line, nothing written.

The line names file, key, value and limit; each test says which words a person needs to mend it.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import CASE, SITE, run

Refuse = Callable[..., str]
MakeSite = Callable[..., Path]


def changed(text: str, old: str, new: str) -> str:
    """The text with one thing changed; a slip in a test's own text must not pass for a refusal."""
    assert text.count(old) >= 1, old
    return text.replace(old, new, 1)


# --- site.toml ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        pytest.param(
            "start_flush_s = 120",
            "start_flus_s = 120",
            ["setpoints.start_flus_s", "not a known key", "did you mean start_flush_s?"],
            id="unknown key",
        ),
        pytest.param(
            "start_flush_s = 120",
            "start_flush_min = 2",
            ["setpoints.start_flush_min", "the key is start_flush_s", "unit"],
            id="wrong unit",
        ),
        pytest.param("tds_mgl = 3200", "tds_gl = 3.2", ["plant.source.tds_gl", "tds_mgl"], id="wrong unit 2"),
        pytest.param("[plant.source]", "[plant.sauce]", ["plant.sauce", "did you mean source?"], id="table"),
        pytest.param(
            "start_flush_s = 120",
            "start_flush_s = 20",
            ["setpoints.start_flush_s = 20", "at least 30"],
            id="too small",
        ),
        pytest.param("units = 2", "units = 65", ["site.units = 65", "at most 64"], id="too large"),
        pytest.param("units = 2", "", ["site.units is missing"], id="missing"),
        pytest.param("[site]", "[sit]", ["sit is not a known key", "did you mean site?"], id="table missing"),
        pytest.param(
            "start_flush_s = 120",
            "start_flush_s = nan",
            ["setpoints.start_flush_s = nan", "finite number"],
            id="nan",
        ),
        pytest.param(
            "tds_mgl = 3200", "tds_mgl = inf", ["plant.source.tds_mgl = inf", "finite number"], id="inf"
        ),
        pytest.param("units = 2", 'units = "two"', ["site.units = 'two'", "whole number"], id="word"),
        pytest.param("units = 2", 'units = "2"', ["site.units = '2'", "whole number"], id="quoted"),
        pytest.param("units = 2", "units = true", ["site.units = True", "whole number"], id="true"),
        pytest.param("units = 2", "units = 2.5", ["site.units = 2.5", "whole number"], id="half a unit"),
        pytest.param("start_flush_s = 120", "start_flush_s = [1]", ["= [1]", "a number"], id="list"),
        pytest.param('name = "pair"', 'name = "My Pair"', ["site.name = 'My Pair'", "small"], id="name"),
        pytest.param('name = "pair"', 'name = ""', ["site.name = ''", "at least 1"], id="empty name"),
        pytest.param("[site]", "[site", ["not TOML", "line 1"], id="not TOML"),
        pytest.param("units = 2", "units = 2\nunits = 3", ["not TOML", "line 5"], id="key twice"),
        pytest.param("units = 2", f"units = {'9' * 5000}", ["not TOML", "digits"], id="digits without end"),
        pytest.param("units = 2", f"units = {'[' * 50_000}", ["nested too deep"], id="nested without end"),
        pytest.param(
            "start_flush_s = 120",
            "tds_alarm_mgl = 400",
            ["setpoints", "tds_alarm_mgl = 400", "tds_lockout_mgl = 300"],
            id="two setpoints that contradict each other",
        ),
        pytest.param(
            "start_flush_s = 120",
            "drain_capacity_m3h = 3",
            ["2 units leave no room for one flush", "drain_capacity_m3h = 3"],
            id="no room for one flush",
        ),
        pytest.param(
            "units = 2\n\n[setpoints]",
            "units = 6\n\n[setpoints]\npurge_interval_s = 130",
            ["purge_interval_s = 130", "at least 215 s"],
            id="purges fill the slots",
        ),
    ],
)
def test_a_fault_in_the_site_file_is_named(
    make_site: MakeSite, refuse: Refuse, old: str, new: str, words: list[str]
) -> None:
    site = make_site(site=changed(SITE, old, new))
    line = refuse(site)
    for word in ["site.toml", *words]:
        assert word in line


def test_more_faults_are_counted(make_site: MakeSite, refuse: Refuse) -> None:
    site = make_site(site=SITE.replace("= 120", "= 20").replace("= 3200", "= -1"))
    assert "(and 1 more)" in refuse(site)


def test_a_site_file_larger_than_a_megabyte_is_not_read(make_site: MakeSite, refuse: Refuse) -> None:
    site = make_site(site=SITE + "#" * 1_000_000)
    line = refuse(site)
    assert "site.toml" in line
    assert "at most 1000000" in line


def test_a_site_file_that_is_no_text_is_refused(make_site: MakeSite, refuse: Refuse) -> None:
    site = make_site()
    (site / "site.toml").write_bytes(b"\xff\xfe\x00name")
    assert "site.toml: not TOML" in refuse(site)


def test_a_folder_that_is_not_there_is_named(tmp_path: Path, refuse: Refuse) -> None:
    line = refuse(tmp_path / "nowhere")
    assert "nowhere" in line
    assert "no such site folder" in line


def test_a_folder_without_a_site_file_is_named(make_site: MakeSite, refuse: Refuse) -> None:
    assert "site.toml: No such file" in refuse(make_site(site=None))


def test_a_site_without_cases_is_refused(make_site: MakeSite, refuse: Refuse) -> None:
    assert "no *.case.toml files" in refuse(make_site(case=None))


# --- case files -----------------------------------------------------------------------------------------

FAULT = 'inject = { target = "suction", kind = "stuck_at", value_bar = "$depth" }'
STEP = f"{FAULT}\nfor_s = 4"
UNTIL = "until_s = 5"
IS = 'signal = "feed_valve"\nis = true'


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        pytest.param("at_s = 1", "at_sec = 1", ["step[1].at_sec", "not a known key", "at_s"], id="key"),
        pytest.param("[[expect]]", "[[expects]]", ["expects", "did you mean expect?"], id="table"),
        pytest.param(
            "value_bar", "value_psi", ["step[1].inject", "value_psi = 0.6", "value_bar"], id="wrong unit"
        ),
        pytest.param("value_bar", "value", ["step[1].inject", "needs value_bar"], id="no unit"),
        pytest.param(
            '"$depth" }', '"$depth", value_psi = 9 }', ["value_psi", "value is there twice"], id="two values"
        ),
        pytest.param(', value_bar = "$depth"', ', text = "$depth"', ["step[1].inject.text"], id="odd key"),
        pytest.param("[0.6, 0.75]", "[0.6, 9]", ["value = 9", "-0.6 to 6.6 bar"], id="fault out of range"),
        pytest.param("[0.6, 0.75]", "[nan]", ["step[1].inject.value = nan", "finite"], id="nan fault"),
        pytest.param("[0.6, 0.75]", '["low"]', ["step[1].inject.value = 'low'", "number"], id="word"),
        pytest.param(
            '"suction"', '"suktion"', ["step[1].inject", "'suktion'", "near: suction"], id="unknown target"
        ),
        pytest.param('"stuck_at"', '"stuk_at"', ["'stuk_at'", "it has: stuck_at"], id="unknown kind"),
        pytest.param("SR-17", "SR-99", ["requirements", "SR-99", "no such requirement"], id="requirement"),
        pytest.param('"$depth"', '"$dept"', ["$dept", "not in [vary]", "$depth?"], id="not in vary"),
        pytest.param("0.75]", "0.75]\ngap = [1, 2]", ["vary.gap", "not used"], id="vary not used"),
        pytest.param("[0.6, 0.75]", "0.6", ["vary", "list"], id="vary is no list"),
        pytest.param(
            "[0.6, 0.75]", f"{[0.6] * 501}", ["501 combinations", "at most 500"], id="vary too many"
        ),
        pytest.param('["START_FLUSH"]', '["START"]', ["given.states[1] = 'START'", "PRODUCE"], id="state"),
        pytest.param('["START_FLUSH"]', "[]", ["given.states = []", "at least 1"], id="no state"),
        pytest.param(
            '["START_FLUSH"]',
            '["START_FLUSH", "START_FLUSH"]',
            ["-start_flush is there twice"],
            id="state twice",
        ),
        pytest.param("[vary]", "unit = 3\n[vary]", ["given.unit = 3", "1 to 2"], id="unit under test"),
        pytest.param("for_s = 4", "for_s = 4\nunit = 3", ["step[1].unit = 3", "1 to 2"], id="step's unit"),
        pytest.param(UNTIL, f"{UNTIL}\nunit = 3", ["expect[1].unit = 3", "1 to 2"], id="expectation's unit"),
        pytest.param(UNTIL, f"{UNTIL}\nunit = 0", ["expect[1].unit = 0", "at least 1"], id="unit 0"),
        pytest.param(UNTIL, f'{UNTIL}\nunit = "all"', ["expect[1].unit = 'all'", "others"], id="unit word"),
        pytest.param(
            FAULT,
            f'{FAULT}\ncommand = "stop"',
            ["step[1]", "exactly one of", "inject, command"],
            id="two acts",
        ),
        pytest.param(
            "at_s = 1", 'at_s = 1\nwhen_state = "DELAY"', ["step[1]", "either at_s or"], id="two times"
        ),
        pytest.param("at_s = 1\n", "", ["step[1]", "either at_s or when_state"], id="no time"),
        pytest.param("at_s = 1", "at_s = 1\nafter_s = 3", ["step[1]", "after_s", "when_state"], id="after_s"),
        pytest.param(
            UNTIL, "from_s = 5\nuntil_s = 5", ["expect[1]", "until_s = 5", "from_s = 5"], id="window"
        ),
        pytest.param(UNTIL, f"{UNTIL}\nwithin_s = 3", ["within_s", "until_s"], id="two forms"),
        pytest.param(
            'after = "low"', 'after = "lo"', ["expect[1].after", "'lo'"], id="step that is not there"
        ),
        pytest.param(IS, f"{IS}\nbelow_bar = 1", ["exactly one of is, below_<unit>"], id="two comparisons"),
        pytest.param(
            IS,
            'signal = "suction_ma"\nbelow_kpa = 300',
            ["expect[1]", "below_kpa", "suction_ma is in bar", "below_bar"],
            id="wrong unit of a quantity",
        ),
        pytest.param(
            IS, 'signal = "suction_ma"\nbelow = 3', ["key is below_bar"], id="quantity without unit"
        ),
        pytest.param(IS, 'signal = "feed_valv"\nis = true', ["'feed_valv'", "near: feed_valve"], id="signal"),
        pytest.param(IS, 'signal = "feed_valve"\nis = "OFF"', ["is = true or false"], id="contact as state"),
        pytest.param(IS, 'signal = "state"\nis = true', ["is = a state"], id="state as contact"),
        pytest.param("for_s = 8", "for_s = nan", ["run.for_s = nan"], id="nan time"),
        pytest.param("for_s = 8", "for_s = 0", ["run.for_s = 0", "more than 0"], id="no time to run"),
        pytest.param("[run]\nfor_s = 8\n", "", ["run is missing"], id="run missing"),
        pytest.param('title = "A short dip is ridden through"', "", ["title is missing"], id="no title"),
        pytest.param("[given]", "[given", ["not TOML", "line"], id="not TOML"),
        pytest.param(
            STEP,
            f'{STEP}\n[[step]]\nat_s = 0.5\ncommand = "stop"',
            ["step[2].at_s = 0.5", "earlier step is at 1 s"],
            id="steps that run backwards",
        ),
        pytest.param(
            STEP,
            f'{STEP}\n[[step]]\nat_s = 5\nname = "low"\ncommand = "stop"',
            ["two steps are named 'low'"],
            id="two steps of one name",
        ),
        pytest.param(
            STEP,
            f'{STEP}\n[[step]]\nat_s = 5\nclear = "hot"',
            ["step[2].clear", "'hot'"],
            id="nothing to clear",
        ),
        pytest.param(
            STEP,
            f'{STEP}\n[[step]]\nat_s = 5\nunit = 0\noperate = "selector_auto off"',
            ["step[2].unit = 0", "selector_auto off belongs to a unit"],
            id="a unit's switch at the bank",
        ),
        pytest.param(
            STEP,
            f'{STEP}\n[[step]]\nat_s = 5\noperate = "selector off"',
            ["step[2]", "'selector off'", "selector_auto"],
            id="unknown switch",
        ),
        pytest.param(
            STEP, f'{STEP}\n[[step]]\nat_s = 5\ncommand = "halt"', ["'halt'", "'stop'"], id="unknown verb"
        ),
    ],
)
def test_a_fault_in_a_case_file_is_named(
    make_site: MakeSite, refuse: Refuse, old: str, new: str, words: list[str]
) -> None:
    site = make_site(case=changed(CASE, old, new))
    line = refuse(site)
    for word in ["dip.case.toml", *words]:
        assert word in line


def test_a_case_file_larger_than_a_megabyte_is_not_read(make_site: MakeSite, refuse: Refuse) -> None:
    site = make_site(case=CASE + "#" * 1_000_000)
    line = refuse(site)
    assert "dip.case.toml" in line
    assert "at most 1000000" in line


@pytest.mark.parametrize("name", ["dip.toml", "a dip.case.toml", "-dip.case.toml"])
def test_a_case_file_whose_name_would_be_overlooked_is_refused(
    make_site: MakeSite, refuse: Refuse, name: str
) -> None:
    line = refuse(make_site(name=name))
    assert name in line
    assert "ends in .case.toml" in line


# --- the command line itself ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("option", "words"),
    [
        ("--case=nothing", ["--case nothing", "no such case", "dip"]),
        ("--set=start_flush_s", ["--set start_flush_s", "setpoint=number"]),
        ("--set=start_flush_s=long", ["--set start_flush_s=long", "setpoint=number"]),
        ("--set=start_flush_s=nan", ["--set start_flush_s=nan", "setpoint=number"]),
        ("--set=start_flush_s=inf", ["--set start_flush_s=inf", "setpoint=number"]),
        ("--set=start_flus_s=90", ["--set", "did you mean start_flush_s?"]),
        ("--set=start_flush_min=2", ["--set", "the key is start_flush_s"]),
        ("--set=start_flush_s=20", ["--set start_flush_s=20", "at least 30"]),
        ("--controller=my_logic", ["--controller my_logic", "module:callable"]),
        ("--controller=no_such_module:Controller", ["no_such_module"]),
        ("--controller=json:no_such_name", ["json", "no_such_name"]),
        ("--controller=no_such:b", ["--controller no_such:b: ModuleNotFoundError"]),  # no picture for ":b:"
        ("--controller=json:__name__", ["cannot be called"]),
        ("--controller=json:dumps", ["json:dumps", "TypeError"]),
        ("--controller=builtins:slice", ["has no scan, states, retained"]),
    ],
)
def test_a_bad_option_is_refused(make_site: MakeSite, refuse: Refuse, option: str, words: list[str]) -> None:
    line = refuse(make_site(), option)
    for word in words:
        assert word in line


def test_the_process_ends_with_code_2_and_one_line(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(site=SITE.replace("= 120", "= 20"))
    answer = run("prove", str(site), cwd=tmp_path)
    assert answer.code == 2
    assert answer.err == "skidproof: site.toml: setpoints.start_flush_s = 20: must be at least 30\n"
    assert answer.out == ""
    assert not (tmp_path / "evidence").exists()


def test_a_worker_count_of_none_is_refused(make_site: MakeSite, tmp_path: Path) -> None:
    answer = run("prove", str(make_site()), "--jobs", "0", cwd=tmp_path)
    assert answer.code == 2
    assert "--jobs" in answer.err
    assert not (tmp_path / "evidence").exists()
