"""A still of the page, for documents: a browser without a window opens it once and is gone."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

from controller.files import InputError

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
SIZE = "1500,1900"
PATIENCE_S = 90.0
DRAWN_MS = 8_000  # of the page's own time, which passes at once


def find_browser() -> str:
    """The browser of this machine; InputError when there is none."""
    for name in BROWSERS:
        if found := shutil.which(name):
            return found
    raise InputError(f"--still needs a browser: none of {', '.join(BROWSERS)} is installed")


def take_still(browser: str, address: str, file: Path) -> None:
    """Write what the page at ``address`` looks like; InputError when the browser does not do it."""
    command = [
        browser,
        "--headless=new",
        "--hide-scrollbars",
        "--disable-dev-shm-usage",
        f"--window-size={SIZE}",
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
