"""What the firmware reads of a site folder, and what it tells a service manager."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from controller.files import InputError
from controller.notify import Notifier
from controller.site import load_site
from controller.store import MARKER, Store
from sim_plant.site import demo_folder
from sim_plant.site import load_site as load_for_the_bench

SITE = '[site]\nname = "pair"\ntitle = "Two units"\nunits = 2\n'


def written(folder: Path, text: str) -> Path:
    """A site folder with this site.toml."""
    (folder / "site.toml").write_text(text, encoding="utf-8")
    return folder


def test_the_firmware_and_the_bench_read_the_same_from_one_site() -> None:
    ours, theirs = load_site(demo_folder()), load_for_the_bench(demo_folder())

    assert ours.setpoints == theirs.setpoints
    assert ours.table.model_dump() == theirs.file.site.model_dump()


def test_the_table_of_the_plant_is_passed_over(tmp_path: Path) -> None:
    text = SITE + "[plant.source]\nnonsense = 1\n"

    assert load_site(written(tmp_path, text)).table.units == 2


def test_what_is_left_out_has_its_default(tmp_path: Path) -> None:
    site = load_site(written(tmp_path, SITE + "[setpoints]\npurge_s = 25\n"))

    assert (site.table.scan_ms, site.setpoints.purge_s, site.setpoints.coast_s) == (100, 25, 2)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (SITE + "[setpoints]\npurge_s = 1\n", "setpoints.purge_s = 1: must be at least 5"),
        (
            SITE + "[setpoints]\npurge = 9\n",
            "setpoints.purge is not a known key: the key is purge_s, its unit is part of its name",
        ),
        (SITE + "[setpoints]\npurge_s = nan\n", "setpoints.purge_s = nan: must be a finite number"),
        (SITE + "[setpoint]\npurge_s = 25\n", "setpoint is not a known key: did you mean setpoints?"),
        (SITE.replace("units = 2", 'units = "2"'), "site.units = '2': must be a whole number"),
        (SITE.replace("units = 2", "units = 65"), "site.units = 65: must be at most 64"),
        (SITE.replace("units = 2", "units = 64"), "64 units leave no room for one flush"),
        (SITE + "scan_ms = 10\n", "site.scan_ms = 10: must be at least 50"),
        ("", "site is missing"),
        ("[site\n", "not TOML"),
        ("a = " + "[" * 5_000, "not TOML"),
        ("#" * 1_000_001, "too large, at most 1000000 bytes"),
    ],
    ids=lambda text: text[-24:],
)
def test_a_site_that_is_wrong_is_refused_with_one_line_that_names_it(
    tmp_path: Path, text: str, line: str
) -> None:
    with pytest.raises(InputError) as refused:
        load_site(written(tmp_path, text))

    assert str(refused.value).startswith(f"site.toml: {line}")
    assert len(str(refused.value).splitlines()) == 1


def test_setpoints_that_contradict_each_other_are_refused_with_both_values(tmp_path: Path) -> None:
    text = SITE + "[setpoints]\nstart_flush_s = 100\nstart_flush_max_s = 120\n"

    with pytest.raises(InputError, match=r"start_flush_max_s = 120 must lie in .* start_flush_s = 100"):
        load_site(written(tmp_path, text))


def test_a_folder_without_a_site_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"site\.toml: No such file"):
        load_site(tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        SITE + "[setpoints]\npurge_s = 1\nstart_flush_s = 1\n",
        SITE + "[setpoints]\npurge_min = 1\n",
        SITE.replace("units = 2", "units = 64"),
        SITE + "[sites]\n",
        "[site\n",
    ],
    ids=lambda text: text[-12:],
)
def test_the_firmware_and_the_bench_refuse_in_the_same_words(tmp_path: Path, text: str) -> None:
    folder = written(tmp_path, text)

    with pytest.raises(InputError) as ours:
        load_site(folder)
    with pytest.raises(InputError) as theirs:
        load_for_the_bench(folder)

    assert str(ours.value) == str(theirs.value)


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere: no such site folder"):
        load_site(tmp_path / "nowhere")


def test_the_folder_of_the_data_explains_its_marker(tmp_path: Path) -> None:
    Store(tmp_path).write("text")

    assert "lock every unit out" in (tmp_path / MARKER).read_text(encoding="utf-8")


# --- service manager --------------------------------------------------------------------------------


@pytest.fixture
def manager(tmp_path: Path) -> socket.socket:
    heard = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    heard.bind(str(tmp_path / "notify"))
    heard.setblocking(False)
    return heard


def heard(manager: socket.socket) -> list[str]:
    """All messages so far."""
    messages = []
    while True:
        try:
            messages.append(manager.recv(1_000).decode())
        except BlockingIOError:
            return messages


@pytest.mark.parametrize(("limit_us", "pets"), [("", 0), ("0", 0), ("1000000", 20), ("10000000", 2)])
def test_the_watchdog_is_petted_twice_within_its_limit(
    manager: socket.socket, limit_us: str, pets: int
) -> None:
    with manager:
        notifier = Notifier({"NOTIFY_SOCKET": manager.getsockname(), "WATCHDOG_USEC": limit_us}, pid=7)
        messages = []
        for scan in range(100):  # 10 s
            notifier.alive(scan * 100_000_000)
            messages += heard(manager)
        notifier.close()

    assert messages == ["WATCHDOG=1"] * pets


def test_a_watchdog_of_another_process_is_not_petted(manager: socket.socket) -> None:
    with manager:
        environment = {"NOTIFY_SOCKET": manager.getsockname(), "WATCHDOG_USEC": "1000", "WATCHDOG_PID": "8"}
        notifier = Notifier(environment, pid=7)
        notifier.alive(10**9)
        notifier.close()

        assert heard(manager) == []


def test_an_abstract_address_is_understood() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0notify-of-a-test")
        manager.setblocking(False)
        notifier = Notifier({"NOTIFY_SOCKET": "@notify-of-a-test"}, pid=7)
        notifier.send("READY=1")
        notifier.close()

        assert heard(manager) == ["READY=1"]


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": "/nowhere/at/all"}])
def test_no_service_manager_is_no_trouble(environment: dict[str, str]) -> None:
    notifier = Notifier(environment, pid=7)

    notifier.send("READY=1")
    notifier.alive(10**9)
    notifier.close()
