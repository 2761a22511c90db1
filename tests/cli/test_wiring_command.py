"""``skidproof wiring`` prints the point list, or one line that says what is wrong with the wiring."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import SITE, call

from sim_plant.site import demo_folder

MakeSite = Callable[..., Path]
NURSERY = (demo_folder() / "wiring.toml").read_text(encoding="utf-8")


def put(site: Path, text: str) -> str:
    (site / "wiring.toml").write_text(text, encoding="utf-8")
    return str(site)


def test_the_nursery_is_printed_without_a_remark() -> None:
    answer = call("wiring")
    assert answer.code == 0, answer
    assert answer.err == ""
    lines = answer.out.splitlines()
    head = "tag signal text device unit id table address hex reference bit type scaling range on loss request"
    assert " ".join(lines[0].split()) == head
    assert any(line.startswith("PT-301 ") and " 30008 " in line for line in lines)
    assert lines[-1] == "link io (127.0.0.1:1502): 7 devices, 14 requests every 100 ms"


def test_csv_is_one_line_for_each_point_and_nothing_else() -> None:
    answer = call("wiring", "--csv")
    rows = list(csv.DictReader(io.StringIO(answer.out)))
    assert answer.code == 0, answer
    assert len(rows) == 30 + 6 * 22 + 7 * 7
    assert {row["request"].split()[1] for row in rows} == {"read", "write"}
    assert rows[15]["signal"] == "bank.header_ma"


def test_the_units_are_those_of_the_site(make_site: MakeSite) -> None:
    answer = call("wiring", put(make_site(), NURSERY), "--csv")
    assert "unit2.pump" in answer.out
    assert "unit3.pump" not in answer.out


def test_remarks_go_to_stderr(make_site: MakeSite) -> None:
    answer = call("wiring", put(make_site(), NURSERY.replace(', "unit*.divert"', "")), "--csv")
    assert answer.code == 0, answer
    assert (
        answer.err
        == "note: unit1.divert and 1 more: an option, not wired; it reads open, or drives nothing\n"
    )
    assert "note" not in answer.out


def test_proofs_that_the_firmware_relies_on_and_that_have_no_wire_are_remarked_on(
    make_site: MakeSite,
) -> None:
    relies = SITE.replace("[setpoints]", "[setpoints]\nposition_proofs = true")
    text = NURSERY.replace('    "unit*.feed_valve_shut", "unit*.flush_valve_shut",\n', "")
    answer = call("wiring", put(make_site(site=relies), text))
    assert "unit1.feed_valve_shut: not wired, and position_proofs is true" in answer.err


@pytest.mark.parametrize(
    ("old", "new", "options", "words"),
    [
        ("unit*.beacon", "unit*.becon", [], "point[7].signals[6]: unit*.becon is not in the I/O list"),
        ("unit_id = 100", "unit_id = 300", [], "device[1].unit_id: 300 must be 0 to 255"),
        ("[[link]]", "[[link]", [], "not TOML"),
        ("", "", ["--asks", "bench"], "nobody can write; the bench asks"),
    ],
)
def test_a_wiring_at_fault_is_one_line_and_code_2(
    make_site: MakeSite, old: str, new: str, options: list[str], words: str
) -> None:
    answer = call("wiring", put(make_site(), NURSERY.replace(old, new, 1) if old else NURSERY), *options)
    assert answer.code == 2
    assert answer.out == ""
    assert answer.err.count("\n") == 1
    assert answer.err.startswith("skidproof: wiring.toml: ")
    assert words in answer.err


def test_a_site_without_a_wiring_is_told_so(make_site: MakeSite) -> None:
    answer = call("wiring", str(make_site()))
    assert answer.code == 2
    assert "wiring.toml: No such file" in answer.err


def test_the_help_has_an_example() -> None:
    assert "skidproof wiring my_site --csv > points.csv" in " ".join(call("wiring", "--help").out.split())


def test_a_new_site_is_wired(tmp_path: Path) -> None:
    call("begin", str(tmp_path / "mine"))
    assert call("wiring", str(tmp_path / "mine")).code == 0
