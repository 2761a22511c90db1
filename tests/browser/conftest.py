"""A desk as a process of its own, and a browser without a window before it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

ROOT = Path(__file__).parents[2]
NEEDED = "apt-get install chromium chromium-driver"

Start = Callable[..., str]


@pytest.fixture
def start_desk(tmp_path: Path) -> Iterator[Start]:
    """Starts ``skidproof watch``; gives the address that it prints. It must end well when it is told to."""
    processes: list[subprocess.Popen[str]] = []

    def start(*arguments: str) -> str:
        path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
        process = subprocess.Popen(
            [sys.executable, "-m", "sim_plant.cli", "watch", *arguments, "--port", "0"],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": path},
            stderr=subprocess.PIPE,
            text=True,
        )
        processes.append(process)
        assert process.stderr is not None
        said = []
        for line in process.stderr:
            said.append(line)
            if found := re.search(r"http://\S+", line):
                return found[0]
        raise AssertionError(f"printed no address: {said}")

    yield start
    for process in processes:
        process.terminate()
        assert process.wait(20) == 0


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[webdriver.Chrome]:
    """Chromium; what it downloads lands in ``tmp_path``. At the end nothing may stand in its error log."""
    binary, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not (binary and driver):
        pytest.fail(f"this test needs a browser: {NEEDED}")
    options = Options()
    options.binary_location = binary
    options.add_argument("--headless=new")
    options.add_argument("--window-size=1500,1100")
    options.add_argument("--disable-dev-shm-usage")
    if os.geteuid() == 0:
        options.add_argument("--no-sandbox")  # chromium refuses to run as root with it
    options.add_experimental_option("prefs", {"download.default_directory": str(tmp_path)})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    made = webdriver.Chrome(options, Service(driver))
    yield made
    grave = [entry["message"] for entry in made.get_log("browser") if entry["level"] == "SEVERE"]
    made.quit()
    assert not grave
