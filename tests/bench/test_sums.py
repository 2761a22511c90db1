"""A number of a case may follow the site; what is no plain sum is refused in one line."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.files import InputError
from sim_plant.bench.sums import reckoned
from sim_plant.site import Site, demo_folder, load_site


@pytest.fixture(scope="module")
def site() -> Site:
    return load_site(demo_folder())


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("= start_flush_s - 2", 118),
        ("= purge_interval_s + purge_s + 140", 760),
        ("= 0.5 * (tds_alarm_mgl + tds_lockout_mgl) / tds_per_us", 500),
        ("= min(tds_lockout_mgl / tds_per_us + 300, 990)", 900),
        ("= -max(1, 2.5)", -2.5),
        ("= 0.1 + 0.2", 0.3),
        ("= units", 6),
        ("= plant.tank.volume_m3 / 2", 20),
        ("=units", 6),
    ],
)
def test_a_sum_is_a_number_of_the_site(text: str, value: float, site: Site) -> None:
    made = reckoned({"step": [{"at_s": text}]}, site, "a.case.toml")
    assert made == {"step": [{"at_s": value}]}
    assert isinstance(made["step"][0]["at_s"], type(value))


def test_it_follows_the_site(site: Site) -> None:
    setpoints = site.setpoints.model_copy(update={"start_flush_s": 90.0})
    other = replace(site, file=site.file.model_copy(update={"setpoints": setpoints}))
    assert reckoned("= start_flush_s - 2", other, "a.case.toml") == 88


@pytest.mark.parametrize("plain", ["start_flush_s", "PRODUCE", 3, 2.5, True, None, "a = b"])
def test_what_does_not_begin_with_the_sign_stays(plain: Any, site: Site) -> None:
    assert reckoned(plain, site, "a.case.toml") is plain


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("= start_flush", "start_flush is no setpoint; near: start_flush_s"),
        ("= plant.tank.volume", "plant.tank.volume is no setpoint; near: plant.tank.volume_m3"),
        ("= 1 / 0", "cannot be reckoned"),
        ("= 1 +", "cannot be reckoned"),
        ("= 1e308 * 10", "is no number"),
        ("= 2 ** 9", "2 ** 9 is not for a case: names, numbers, + - * /, min and max are"),
        ("= __import__('os')", "is not for a case"),
        ("= open('x')", "is not for a case"),
        ("= min()", "is not for a case"),
        ("= min(*units)", "is not for a case"),
        ("= units.real", "units.real is no setpoint"),
        ("= [1][0]", "is not for a case"),
        ("= True", "is not for a case"),
        ("= 1 if units else 2", "is not for a case"),
        (f"= {'1 + ' * 100}1", "longer than 300 characters"),
    ],
)
def test_anything_else_is_refused_with_the_file_and_the_text(text: str, words: str, site: Site) -> None:
    with pytest.raises(InputError) as refused:
        reckoned([text], site, "a.case.toml")
    assert str(refused.value).startswith(f"a.case.toml: {text!r}: ")
    assert words in str(refused.value)
