"""An analysis that does not hold together is refused with the reason, or corrected when asked."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.files import InputError
from sim_plant.site import demo_folder
from sim_plant.study.analysis import STUDY_FILE, balance_pct, checked, read_study

NURSERY = (demo_folder() / STUDY_FILE).read_text(encoding="utf-8")


def written(folder: Path, old: str, new: str) -> Path:
    assert old in NURSERY
    (folder / STUDY_FILE).write_text(NURSERY.replace(old, new), encoding="utf-8")
    return folder


def refused(folder: Path, balance_with: str | None = None) -> str:
    with pytest.raises(InputError) as told:
        read_study(folder, balance_with)
    assert "\n" not in str(told.value)
    return str(told.value)


def test_the_analysis_of_the_nursery_balances_without_a_note() -> None:
    _, analysis = read_study(demo_folder())
    assert abs(balance_pct(analysis.table)) < 1
    assert analysis.notes == ()
    assert analysis.tds_mgl == pytest.approx(3189, abs=1)  # 128+62+920+14+330+1440+9+24 + 215/50.044*61.017


BAD = {
    "no pH": ("ph = 7.3\n", "", "water.ph is missing"),
    "negative": ("calcium_mgl = 128", "calcium_mgl = -128", "water.calcium_mgl = -128: must be at least 0"),
    "not a number": ("calcium_mgl = 128", "calcium_mgl = nan", "must be a finite number"),
    "text": ("calcium_mgl = 128", 'calcium_mgl = "128"', "must be a number"),
    "unit in the key": ("calcium_mgl = 128", "calcium_mmol_l = 3.2", "calcium_mmol_l is not a known key"),
    "bicarbonate": ("alkalinity_mgl_caco3 = 215", "bicarbonate_mgl = 262", "is not a known key"),
    "pH of nothing": ("ph = 7.3", "ph = 73", "water.ph = 73: must be at most 10"),
    "one temperature": ("[22, 25]", "[22]", "number of entries must be at least 2"),
    "warm before cold": ("[22, 25]", "[25, 22]", "must be the coldest and the warmest"),
    "Fahrenheit": ("[22, 25]", "[72, 77]", "must be the coldest and the warmest, 1 to 45"),
    "mS/cm": ("conductivity_us_cm = 5000", "conductivity_us_cm = 5.0", "in another unit"),
    "silt above its end": ("silt_density_index = 3.2", "silt_density_index = 15", "must be at most 6.7"),
    "ions in g/L": ("chloride_mgl = 1440", "chloride_mgl = 1.44", "cations exceed anions by"),
    "anions too many": ("sodium_mgl = 920", "sodium_mgl = 92", "anions exceed cations by"),
}


@pytest.mark.parametrize(("old", "new", "reason"), BAD.values(), ids=BAD)
def test_a_bad_analysis_is_refused_with_the_reason(tmp_path: Path, old: str, new: str, reason: str) -> None:
    assert reason in refused(written(tmp_path, old, new))


def test_an_imbalance_is_refused_just_above_ten_per_cent_and_noted_below() -> None:
    """(cations - anions) / (cations + anions), Standard Methods 1030 E; anions are 52.2 meq/L here."""
    table = read_study(demo_folder())[1].table
    with pytest.raises(InputError, match=r"10\.1 %"):
        checked(table.model_copy(update={"sodium_mgl": 920 + 11.76 * 22.98977}))
    noted = checked(table.model_copy(update={"sodium_mgl": 920 + 11.4 * 22.98977}))
    assert "balance to 9.8 % only" in noted.notes[0]


def test_the_difference_is_made_up_only_when_asked_and_said(tmp_path: Path) -> None:
    folder = written(tmp_path, "chloride_mgl = 1440", "chloride_mgl = 900")
    assert "--balance-with" in refused(folder)
    _, analysis = read_study(folder, "chloride")
    assert balance_pct(analysis.table) == pytest.approx(0.0, abs=1e-9)
    assert analysis.notes[0].startswith("chloride taken as 1438 mg/L in place of 900")


def test_an_ion_that_would_be_less_than_none_or_is_unknown_cannot_balance(tmp_path: Path) -> None:
    folder = written(tmp_path, "chloride_mgl = 1440", "chloride_mgl = 900")
    assert "less than none" in refused(folder, "potassium")
    assert "must be one of calcium, magnesium" in refused(folder, "iron")


def test_a_limit_that_is_not_known_is_refused(tmp_path: Path) -> None:
    assert "calcite_ratio is not a known key" in refused(written(tmp_path, "calcite_index", "calcite_ratio"))


def test_a_sweep_out_of_bounds_is_refused(tmp_path: Path) -> None:
    folder = written(tmp_path, "[limits]", "[sweep]\npurge_s = [1]\n[limits]")
    assert "purge_s: must be 1 to 12 numbers, each 5 to 120" in refused(folder)
