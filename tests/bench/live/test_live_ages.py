"""How old an image is at a live controller: a loss on the line must show in the record."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from live_samples import SEED, DeskField, fast_target, live_site

from controller.modbus.link import Link, TcpSettings
from controller.wiring import Asker, load_wiring
from sim_plant.bench.live.field import AGED_MS
from sim_plant.bench.live.polled import PolledField
from sim_plant.bench.rig import Rig
from sim_plant.bench.trace import Trace
from sim_plant.plant import Plant
from tests.ports import free_port
from tests.serve.serve_samples import Time

HIL = Path(__file__).parents[2] / "hil"
BANK, SKID1, SKID2 = 100, 1, 2
"""Unit ids."""


def seen_with(*ages_ms: int) -> Trace:
    """Three scans with such ages at the controller, of the bank and of both units."""
    field = DeskField(live_site())
    field.ages = ages_ms
    rig = Rig(Plant(2, live_site().file.plant, SEED), fast_target(field), 100)
    rig.run_for(0.3)
    return rig.trace()


def test_an_image_that_is_lost_on_the_line_has_its_age_in_the_record() -> None:
    trace = seen_with(0, AGED_MS + 1, 0)
    assert trace.unit_age_ms[:, 0].tolist() == [AGED_MS + 1] * 3
    assert not np.any(trace.unit_age_ms[:, 1])
    assert not np.any(trace.bank_age_ms)


def test_an_image_that_is_late_and_not_yet_lost_counts_as_new() -> None:
    trace = seen_with(AGED_MS, 90, 350)
    assert not np.any(trace.unit_age_ms)
    assert not np.any(trace.bank_age_ms)


def test_the_age_that_the_plant_itself_tells_stays() -> None:
    field = DeskField(live_site())
    inputs = Plant(2, live_site().file.plant, SEED).inputs(())._replace(unit_age_ms=(700, 1500))
    field.ages = (0, 0, 1200)
    assert fast_target(field).as_told(inputs).unit_age_ms == (700, 1500)


@pytest.fixture
def polled(tmp_path: Path) -> Iterator[tuple[PolledField, Link, Time]]:
    """The bench as remote I/O, a controller that asks it, and a clock to set."""
    port, time = free_port(), Time()
    text = (HIL / "polling.toml").read_text(encoding="utf-8").replace("port = 1502", f"port = {port}")
    (tmp_path / "wiring.toml").write_text(text, encoding="utf-8")
    time.ms = 5000
    field = PolledField(load_wiring(tmp_path, 2, Asker.CONTROLLER), now_ms=time)
    with Link(TcpSettings("127.0.0.1", port)) as link:
        yield field, link, time
    field.close()


def fetch(link: Link, unit_id: int, address: int, count: int) -> None:
    link.exchange(unit_id, None, ("input", address, count), False, 5.0)


def test_an_image_ages_from_the_moment_at_which_the_controller_fetched_it(
    polled: tuple[PolledField, Link, Time],
) -> None:
    field, link, time = polled
    fetch(link, SKID1, 6, 6)
    fetch(link, BANK, 6, 9)
    time.ms += 1500
    fetch(link, BANK, 6, 9)
    assert field.ages_ms() == (0, 1500, 0)  # unit 2 was never fetched: nothing is known


def test_an_image_is_as_old_as_its_oldest_part(polled: tuple[PolledField, Link, Time]) -> None:
    """The contacts are fetched again, the loops are not."""
    field, link, time = polled
    fetch(link, SKID2, 6, 6)
    time.ms += 400
    fetch(link, SKID2, 6, 1)
    assert field.ages_ms()[SKID2] == 400


def test_what_is_no_input_of_the_field_keeps_no_image_young(polled: tuple[PolledField, Link, Time]) -> None:
    """Life and marks are read on."""
    field, link, time = polled
    fetch(link, SKID1, 0, 12)
    time.ms += 1200
    fetch(link, SKID1, 0, 6)
    assert field.ages_ms()[SKID1] == 1200
