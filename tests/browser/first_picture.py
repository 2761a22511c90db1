"""How long until a browser that opens the desk shows its first picture?

    python -m tests.browser.first_picture [--times 5] [--units 6] [--speed 1]

Each time `skidproof watch` is started anew, and a browser that is open already is sent to the printed
address. Printed are, for each time and as medians: from the start of the command to its address; from the
address to the page's own beginning; from there to the last script, to the facts, and to the frame after the
one in which the first picture was put into the page. Not a test: figures depend on the machine and on what
else it does.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.wait import WebDriverWait

from sim_plant.docs_pages.desk_pictures import site_text

NOTICE = """
new MutationObserver((_changes, observer) => {
  if (window.shownAt || !document.querySelector("#plant-time")?.dataset.ms) return;
  window.shownAt = -1;
  observer.disconnect();
  requestAnimationFrame(() => setTimeout(() => (window.shownAt = performance.now())));
}).observe(document, { subtree: true, childList: true, attributes: true });
"""
FIGURES = """
const loaded = performance.getEntriesByType("resource");
const ends = (ending) => loaded.filter((one) => one.name.endsWith(ending)).map((one) => one.responseEnd);
return [performance.timeOrigin, Math.max(...ends(".js")), Math.max(...ends("/about")), window.shownAt];
"""
HEAD = ["address", "page begins", "scripts", "facts", "picture", "address to picture"]
WAIT_S = 60.0


def open_browser() -> webdriver.Chrome:
    """Chromium without a window."""
    options = Options()
    options.binary_location = shutil.which("chromium") or ""
    for argument in ("--headless=new", "--window-size=1500,1100", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    if os.geteuid() == 0:
        options.add_argument("--no-sandbox")  # chromium refuses to run as root with it
    browser = webdriver.Chrome(options, Service(shutil.which("chromedriver") or ""))
    browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": NOTICE})
    return browser


def once(browser: webdriver.Chrome, site: Path, speed: str) -> list[float]:
    """The figures of one start, in seconds."""
    began_s = time.time()
    with subprocess.Popen(
        [sys.executable, "-m", "sim_plant.cli", "watch", str(site), "--port", "0", "--speed", speed],
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stderr is not None
            address = next(filter(None, (re.search(r"http://\S+", line) for line in process.stderr)))[0]
            opened_s = time.time()
            browser.get(address)
            WebDriverWait(browser, WAIT_S, 0.05).until(
                lambda b: b.execute_script("return window.shownAt > 0 && location.pathname === '/'")
            )
            origin_ms, *page_ms = browser.execute_script(FIGURES)
        finally:
            process.terminate()
    begins_s = origin_ms / 1000.0 - opened_s
    return [opened_s - began_s, begins_s, *(ms / 1000.0 for ms in page_ms), begins_s + page_ms[-1] / 1000.0]


def main() -> None:
    """From the command line."""
    parser = argparse.ArgumentParser(description="How long until the desk shows its first picture.")
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--units", type=int, default=6)
    parser.add_argument("--speed", default="1")
    chosen = parser.parse_args()
    print("seconds:", ", ".join(HEAD))
    browser = open_browser()
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "site.toml").write_text(site_text(chosen.units), encoding="utf-8")
        rows = []
        for _ in range(chosen.times):
            rows.append(once(browser, Path(folder), chosen.speed))
            print("  ".join(f"{value:6.3f}" for value in rows[-1]), flush=True)
    browser.quit()
    print("  ".join(f"{statistics.median(column):6.3f}" for column in zip(*rows, strict=True)), " medians")


if __name__ == "__main__":
    main()
