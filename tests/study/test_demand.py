"""``[demand]`` of study.toml is a whole day in m3/h, or refused with the reason."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.files import InputError
from sim_plant.site import demo_folder
from sim_plant.study.analysis import STUDY_FILE, read_study

WATER = (demo_folder() / STUDY_FILE).read_text(encoding="utf-8").split("\n[demand]")[0]
DAY = "profile_m3h = [" + ", ".join(["4"] * 24) + "]\n"


def with_table(folder: Path, table: str) -> Path:
    (folder / STUDY_FILE).write_text(f"{WATER}\n{table}", encoding="utf-8")
    return folder


def test_without_the_table_there_is_no_demand(tmp_path: Path) -> None:
    assert read_study(with_table(tmp_path, ""))[0].demand is None


def test_the_margin_is_in_every_hour(tmp_path: Path) -> None:
    demand = read_study(with_table(tmp_path, f"[demand]\nmargin = 1.25\n{DAY}"))[0].demand
    assert demand is not None
    assert demand.hourly_m3h == (5.0,) * 24


BAD = {
    "no profile": ("tank_m3 = 40\n", "demand.profile_m3h is missing"),
    "23 values": (DAY.replace("4, ", "", 1), "profile_m3h: 23 numbers: must be 24, one for each hour"),
    "negative": (DAY.replace("4", "-4", 1), "each number must lie in 0 to 1000 m3/h"),
    "unit in the key": (DAY.replace("m3h", "l_s"), "demand.profile_l_s is not a known key"),
    "tank in litres": (f"tank_l = 40000\n{DAY}", "tank_l is not a known key: the key is tank_m3"),
    "a tank of nothing": (f"tank_m3 = 0\n{DAY}", "demand.tank_m3 = 0: must be more than 0"),
    "less than asked": (f"margin = 0.8\n{DAY}", "demand.margin = 0.8: must be at least 1"),
    "level above full": (f"lowest_pct = 95\n{DAY}", "demand.lowest_pct = 95: must be less than 90"),
    "nothing drawn": (DAY.replace("4", "0"), "nothing is drawn in any hour"),
    "text": (DAY.replace("4", '"4"', 1), "must be a number"),
    "one number": ("profile_m3h = 4\n", "demand.profile_m3h = 4: must be a list"),
}


@pytest.mark.parametrize(("table", "reason"), BAD.values(), ids=BAD)
def test_a_bad_demand_is_refused_with_the_reason(tmp_path: Path, table: str, reason: str) -> None:
    with pytest.raises(InputError) as told:
        read_study(with_table(tmp_path, f"[demand]\n{table}"))
    assert reason in str(told.value)
    assert "\n" not in str(told.value)
