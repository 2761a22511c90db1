"""A still of the page, for documents: a browser without a window opens it once and is gone."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

from controller.files import InputError

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
SIDE_LEAST, SIDE_MOST = 300, 8000  # pixels
PATIENCE_S = 90.0
DRAWN_MS = 8_000  # of the page's own time, which passes at once


def find_browser() -> str:
    """The browser of this machine; InputError when there is none."""
    for name in BROWSERS:
        if found := shutil.which(name):
            return found
    raise InputError(f"--still needs a browser: none of {', '.join(BROWSERS)} is installed")


def size_of(text: str) -> tuple[int, int]:
    """Width and height from "1500x1900"; InputError when they are none."""
    found = re.fullmatch(r"(\d{1,5})x(\d{1,5})", text)
    sides = (int(found[1]), int(found[2])) if found else (0, 0)
    if not all(SIDE_LEAST <= side <= SIDE_MOST for side in sides):
        raise InputError(
            f"--still-size {text}: must be WIDTHxHEIGHT in pixels, each {SIDE_LEAST} to {SIDE_MOST}"
        )
    return sides


def take_still(browser: str, address: str, file: Path, size: tuple[int, int]) -> None:
    """Write what the page at ``address`` looks like; InputError when the browser does not do it."""
    command = [
        browser,
        "--headless=new",
        "--hide-scrollbars",
        "--disable-dev-shm-usage",
        f"--window-size={size[0]},{size[1]}",
        f"--virtual-time-budget={DRAWN_MS}",
        f"--screenshot={file.resolve()}",
        *(["--no-sandbox"] if os.geteuid() == 0 else []),  # chromium refuses to run as root with it
        address,
    ]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    except subprocess.TimeoutExpired:
        raise InputError(f"{browser} has not drawn the page within {PATIENCE_S:g} s") from None
    if done.returncode != 0 or not file.exists():
        last = (done.stderr.strip().splitlines() or ["no word of it"])[-1]
        raise InputError(f"{browser} has not drawn the page: {last}")
