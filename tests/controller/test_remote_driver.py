"""The remote driver with its threads: it never waits, never lets go of old outputs, and ends safe."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection

import pytest
from remote_field import Field, device

from controller.drivers.remote import LOST_AGE_MS, RemoteDriver, RemoteLink
from controller.drivers.rounds import RemoteDevice
from controller.signals import Outputs, safe_outputs

OURS = 7
SAFE = safe_outputs(1)
PUMP_ON = SAFE._replace(units=(SAFE.units[0]._replace(pump=True),))
EXCHANGE_MS = 20


def skid() -> RemoteDevice:
    return device("skid1", 1, ("unit1.pump_running", "unit1.suction_ma"), ("unit1.pump",))


def shared() -> RemoteDevice:
    return device("shared", 2, ("bank.bank_run", "bank.header_ma"), ("bank.horn",))


def until(holds: Callable[[], bool], limit_s: float = 5.0) -> None:
    end_s = time.monotonic() + limit_s
    while not holds():
        assert time.monotonic() < end_s, "it never came"
        time.sleep(0.005)


class Bench:
    """A driver over devices in memory; time is the machine's, and ``ahead_ms`` more."""

    def __init__(self, *devices: RemoteDevice, silent: Collection[int] = ()) -> None:
        self.field = Field({1: [1, 12_000], 2: [1, 8_000]}, silent=set(silent))
        self.said: list[str] = []
        self.ahead_ms = 0
        self.driver = RemoteDriver(
            [RemoteLink(self.field, devices, EXCHANGE_MS)], 1, OURS, self.said.append, self.now_ms
        )

    def now_ms(self) -> int:
        return time.monotonic_ns() // 1_000_000 + self.ahead_ms

    def outputs_written(self) -> list[int]:
        return [content[2] for unit, content in list(self.field.written) if unit == 1]

    def keep_writing(self, outputs: Outputs, holds: Callable[[], bool]) -> None:
        def written() -> bool:
            self.driver.write(outputs)
            return holds()

        until(written)


@pytest.fixture
def bench() -> Bench:
    return Bench(skid(), shared())


def test_images_arrive_and_outputs_leave(bench: Bench) -> None:
    bench.keep_writing(PUMP_ON, lambda: 1 in bench.outputs_written())
    until(lambda: max(*bench.driver.read().unit_age_ms, bench.driver.read().bank_age_ms) < 500)
    inputs = bench.driver.read()
    assert (inputs.units[0].pump_running, inputs.units[0].suction_ma) == (True, 12.0)
    assert (inputs.bank.bank_run, inputs.bank.header_ma) == (True, 8.0)
    bench.driver.close()


def test_what_no_device_shows_is_the_loss_image_at_a_great_age() -> None:
    b = Bench(shared())
    until(lambda: b.driver.read().bank_age_ms < 500)
    inputs = b.driver.read()
    assert inputs.unit_age_ms == (LOST_AGE_MS,)
    assert not any(inputs.units[0])
    assert (inputs.bank.estop_healthy, inputs.bank.tank_level_ma) == (False, 0.0)
    b.driver.close()


def test_before_the_first_proof_all_is_lost() -> None:
    b = Bench(skid(), shared(), silent={1, 2})
    inputs = b.driver.read()
    assert (inputs.unit_age_ms, inputs.bank_age_ms) == ((LOST_AGE_MS,), LOST_AGE_MS)
    assert not any((*inputs.units[0], *inputs.bank))
    b.driver.close()


def test_an_image_of_two_devices_is_as_old_as_the_older_one() -> None:
    b = Bench(skid(), device("more", 2, ("unit1.membrane_ma",), ("unit1.enable",)))
    until(lambda: b.driver.read().unit_age_ms[0] < 500)
    assert b.driver.read().units[0].membrane_ma == 0.001  # register 1 of the second device
    b.field.frozen.add(2)
    until(lambda: b.driver.read().unit_age_ms[0] > 500)
    b.driver.close()


def test_while_a_device_proves_nothing_its_last_values_stay_and_age(bench: Bench) -> None:
    """Given another device in its place; 0 mA would be a broken loop when the right one is back (F76)."""
    until(lambda: bench.driver.read().unit_age_ms[0] < 500)
    bench.field.identity[1] = 2
    until(lambda: bench.driver.read().unit_age_ms[0] == LOST_AGE_MS)
    assert bench.driver.read().units[0].suction_ma == 12.0
    bench.driver.close()


class Hanging(Field):
    """A link whose exchanges take until they are let go."""

    def exchange(self, *_: object) -> list[int]:
        self.let_go.wait(5.0)
        return super().exchange(*_)  # type: ignore[arg-type]  # passed on as they came


def test_reading_and_writing_never_wait_for_a_link_that_hangs() -> None:
    field = Hanging({1: [1, 12_000]})
    field.let_go = threading.Event()  # type: ignore[attr-defined]  # a test's own
    driver = RemoteDriver([RemoteLink(field, [skid()], EXCHANGE_MS)], 1, OURS, print)
    began_s = time.monotonic()
    for _ in range(100):
        driver.read()
        driver.write(PUMP_ON)
    assert time.monotonic() - began_s < 0.5
    began_s = time.monotonic()
    driver.close()
    assert time.monotonic() - began_s < 2.0  # the runtime gives up a stop after that
    field.let_go.set()  # type: ignore[attr-defined]  # as above


def test_outputs_that_the_firmware_no_longer_renews_give_way_to_the_safe_image(bench: Bench) -> None:
    """Given a scan that hangs: the links' threads live on and must not hold a pump on for it."""
    bench.keep_writing(PUMP_ON, lambda: 1 in bench.outputs_written())
    bench.ahead_ms += 1_100
    bench.field.written.clear()
    until(lambda: len(bench.outputs_written()) > 3)
    assert set(bench.outputs_written()[1:]) == {0}  # one exchange may have been under way
    bench.driver.close()


def test_the_safe_image_is_the_last_one_written(bench: Bench) -> None:
    bench.keep_writing(PUMP_ON, lambda: 1 in bench.outputs_written())
    bench.driver.write(PUMP_ON)
    bench.driver.close()
    assert bench.outputs_written()[-1] == 0
    assert bench.field.closed


def test_a_defect_in_a_links_thread_reaches_the_scanning_thread() -> None:
    b = Bench(device("skid1", 1, ("unit1.pump_running",), ("unit1.no_such_output",)))
    with pytest.raises(RuntimeError, match="no_such_output"):
        until(lambda: b.driver.read() is None)
    b.driver.close()


class Slow(Field):
    """A link whose exchanges take 5 ms."""

    def exchange(self, *_: object) -> list[int]:
        time.sleep(0.005)
        return super().exchange(*_)  # type: ignore[arg-type]  # passed on as they came


def test_rounds_begin_at_absolute_moments() -> None:
    """Given a period of 20 ms of which a round takes 10; after a second about 50 rounds have begun."""
    field = Slow({1: [1, 12_000]})
    driver = RemoteDriver([RemoteLink(field, [skid()], EXCHANGE_MS)], 1, OURS, print)
    until(lambda: len(field.asked) > 4)
    before, began_s = len(field.written), time.monotonic()
    time.sleep(1.0)
    rounds = len(field.written) - before
    assert rounds == pytest.approx((time.monotonic() - began_s) * 1000 / EXCHANGE_MS, rel=0.15)
    driver.close()
