"""A working session at the desk, in a real browser: what a controls engineer does in the first hour."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from selenium.webdriver import ActionChains, Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.select import Select
from selenium.webdriver.support.wait import WebDriverWait

ROOT = Path(__file__).parents[2]
DEADLINE_S = 120.0
OFF_CHART_PX = 90  # down from the middle of a chart
RUNS = {"PR", "PG"}
BLANK_PNG_BYTES_MAX = 40_000  # of an empty page of this size, by far
MOTOR_REST_S = 70.0  # a motor protector must have been closed for 60 s before a reset is taken
SITE = """\
[site]
name = "trio"
title = "Three units to try things on"
units = 3

[setpoints]
suction_retries = 0
"""

Start = Callable[..., str]


class Page:
    """The page as a person uses it."""

    def __init__(self, browser: Chrome, address: str) -> None:
        self.browser = browser
        browser.get(address)
        self.wait(lambda: self.plant_ms() > 0, "the page shows a time")

    def wait(self, holds: Callable[[], object], what: str) -> None:
        WebDriverWait(self.browser, DEADLINE_S, 0.1).until(lambda _browser: holds(), what)

    def find(self, css: str) -> WebElement:
        return self.browser.find_element(By.CSS_SELECTOR, css)

    def text(self, css: str) -> str:
        """As it stands in the document, also where it is not in view."""
        return self.find(css).get_attribute("textContent") or ""

    def click(self, element_id: str) -> None:
        self.browser.execute_script(
            "arguments[0].scrollIntoView({block: 'center'})", self.find(f"#{element_id}")
        )
        self.find(f"#{element_id}").click()

    def key(self, key: str) -> None:
        self.find("body").send_keys(key)

    def choose(self, element_id: str, value: str) -> None:
        Select(self.find(f"#{element_id}")).select_by_value(value)

    def type(self, element_id: str, text: str) -> None:
        self.find(f"#{element_id}").clear()
        self.find(f"#{element_id}").send_keys(text)

    def plant_ms(self) -> int:
        return int(self.find("#plant-time").get_attribute("data-ms") or 0)

    def codes(self) -> list[str]:
        """Two letters for the state of each unit, from the row of all units."""
        boxes = "document.querySelectorAll('#overview .box > span:first-of-type')"
        return list(self.browser.execute_script(f"return [...{boxes}].map(e => e.textContent)"))

    def pick(self, unit: int) -> None:
        self.find(f"#overview button:nth-child({unit})").click()
        self.wait(lambda: self.text("#panel-unit h2") == f"Unit {unit}", f"unit {unit} is picked")

    def tab(self, name: str) -> None:
        self.click(f"tab-{name}")

    def said(self, words: str) -> None:
        self.wait(lambda: words in self.text("#said"), f"the page says {words!r}: {self.text('#said')!r}")

    def inject(self, target: str, kind: str, unit: int, value: str = "") -> None:
        self.tab("faults")
        self.choose("fault-target", target)
        self.choose("fault-kind", kind)
        self.choose("fault-unit", str(unit))
        if value:
            self.choose("fault-severity", "own value")
            self.type("fault-value", value)
        self.click("fault-inject")
        self.wait(
            lambda: self.browser.find_elements(By.CSS_SELECTOR, "#panel-faults li[data-fault]"), "in force"
        )

    def mend(self) -> None:
        self.tab("faults")
        self.find("#panel-faults li[data-fault] button").click()
        self.wait(lambda: not self.browser.find_elements(By.CSS_SELECTOR, "li[data-fault]"), "mended")

    def pass_time(self, seconds: float) -> None:
        until_ms = self.plant_ms() + seconds * 1000
        self.wait(lambda: self.plant_ms() >= until_ms, f"{seconds:g} s of plant time pass")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = tmp_path / "trio"
    folder.mkdir()
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    return folder


def test_a_working_session(site: Path, start_desk: Start, browser: Chrome, tmp_path: Path) -> None:
    page = Page(browser, start_desk(str(site), "--off", "--speed", "60"))

    # start the bank and see the units produce
    assert "no plant is moved" in page.text("#simulation")
    page.tab("bank")
    page.click("bank-run")
    page.wait(lambda: RUNS.intersection(page.codes()), "the first unit produces")
    page.wait(lambda: set(page.codes()) <= RUNS, "all units produce")

    # low feed pressure at one unit locks it out; the others go on
    page.inject("suction", "stuck_at", 2, "0.2")
    page.wait(lambda: page.codes()[1] == "LO", "unit 2 is locked out")
    assert {page.codes()[0], page.codes()[2]} <= RUNS
    assert page.text("article[data-unit='2'] .why") == "locked out: low suction, retries spent; needs a reset"
    page.wait(lambda: "suction was lost" in page.text("article[data-unit='2'] .trouble"), "the first cause")

    # acknowledge, mend, reset
    page.tab("alarms")
    page.wait(lambda: page.browser.find_elements(By.CSS_SELECTOR, ".alarm.unseen[data-unit='2']"), "an alarm")
    assert "first out" in page.text(".alarm[data-unit='2']")
    page.find(".alarm.unseen[data-unit='2'] button").click()
    page.said("taken")
    page.mend()
    page.pass_time(20)
    page.pick(2)
    page.tab("unit")
    page.click("reset")
    page.said("reset, unit 2: taken")
    page.wait(lambda: page.codes()[1] != "LO", "unit 2 is free again")
    before_s = page.plant_ms() / 1000

    # a cause that stands: the reset is refused until it has gone
    page.wait(lambda: page.codes()[2] in RUNS, "unit 3 produces")
    page.inject("motor_healthy", "stuck_open", 3)
    page.wait(lambda: page.codes()[2] == "LO", "unit 3 is locked out")
    page.tab("unit")
    page.key("]")
    page.click("reset")
    page.said("refused: the cause stands")
    page.mend()
    page.pass_time(MOTOR_REST_S)
    page.tab("unit")
    page.click("reset")
    page.said("reset, unit 3: taken")
    page.wait(lambda: page.codes()[2] != "LO", "unit 3 is free again")

    # wind back to before that
    page.type("back-to", f"{before_s:.1f}")
    page.click("back")
    page.said(f"wound back to {before_s:g} s")
    page.wait(lambda: page.plant_ms() == round(before_s * 1000), "the time of then")
    assert page.text("#pause") == "Go on"
    assert page.text("#real-speed") == "stands still"

    # save what was done, and prove it
    page.click("save-open")
    page.type("case-title", "Reset too early")
    page.type("case-words", "Unit 2 loses its feed.")
    page.click("dialog-yes")
    page.wait(lambda: browser.find_elements(By.CSS_SELECTOR, "#case-download"), "a case to download")
    text = page.text("#case-text")
    assert 'kind = "stuck_at"' in text
    assert text.startswith("# Unit 2 loses its feed.\n")
    assert 'title = "Reset too early"' in text
    assert "motor_healthy" not in text  # it was taken back
    page.click("case-download")
    page.wait(lambda: files_in(tmp_path, "*.case.toml"), "the file is there")
    (path,) = tmp_path.glob("*.case.toml")
    assert path.read_text(encoding="utf-8") == text
    page.key(Keys.ESCAPE)
    proved = prove(site, path, tmp_path)
    assert proved.returncode == 0, proved.stdout + proved.stderr


def prove(site: Path, case: Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    return command("prove", str(site), "--case", str(case), "--jobs", "1", cwd=cwd)


def command(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    return subprocess.run(
        [sys.executable, "-m", "sim_plant.cli", *arguments],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=120,
    )


def test_isolation_shows_the_caution_first_and_cancel_does_nothing(
    site: Path, start_desk: Start, browser: Chrome
) -> None:
    page = Page(browser, start_desk(str(site), "--speed", "10"))
    page.tab("unit")

    page.click("isolate")
    assert "Lock out, tag out, try out" in page.text("#dialog-body")
    page.click("dialog-no")
    page.click("isolate")
    page.click("dialog-yes")
    page.said("isolator_on off")

    page.tab("journal")
    page.wait(lambda: page.text("#panel-journal").count("isolator_on off") == 1, "it was turned once")


def test_trends_can_be_frozen_and_taken_away(
    site: Path, start_desk: Start, browser: Chrome, tmp_path: Path
) -> None:
    page = Page(browser, start_desk(str(site), "--speed", "60"))
    page.pass_time(120)

    page.click("trend-freeze")
    page.click("trend-csv")
    page.click("trend-png")

    assert page.find("#trend-freeze").get_attribute("aria-pressed") == "true"
    page.wait(lambda: files_in(tmp_path, "*.csv") and files_in(tmp_path, "*.png"), "both files")
    rows = (tmp_path / "trio-unit1.csv").read_text(encoding="utf-8").splitlines()
    assert rows[0].startswith("t_s,header (bar)")
    assert rows[0].endswith("unit1_state")
    assert len(rows) > 100
    assert {len(row.split(",")) for row in rows} == {len(rows[0].split(","))}
    assert (tmp_path / "trio-unit1.png").read_bytes().startswith(b"\x89PNG")


def test_dragging_across_a_trend_zooms_all_of_them(
    site: Path, start_desk: Start, browser: Chrome, tmp_path: Path
) -> None:
    page = Page(browser, start_desk(str(site), "--speed", "60"))
    page.pass_time(120)
    page.click("trend-freeze")
    page.wait(lambda: page.text("#trend-hint").startswith("0:00:00 to "), "the window that is frozen")
    frozen = page.text("#trend-hint")
    page.click("trend-csv")
    page.wait(lambda: files_in(tmp_path) == 1, "a file of the whole window")
    chart = page.find("#trends .chart .u-over")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", chart)

    quarter = chart.size["width"] // 4
    drag = ActionChains(browser).move_to_element(chart).click_and_hold().move_by_offset(quarter // 2, 0)
    drag.move_by_offset(quarter - quarter // 2, OFF_CHART_PX).release().perform()

    page.wait(lambda: page.text("#trend-hint") != frozen, "the window that was drawn")
    page.click("trend-csv")
    page.wait(lambda: files_in(tmp_path) == 2, "a file of the part")
    whole, part = sorted((times_of(path) for path in tmp_path.glob("*.csv")), key=len, reverse=True)
    end_s = whole[-1]
    assert part[0] == pytest.approx(end_s / 2, abs=0.05 * end_s)
    assert part[-1] == pytest.approx(end_s * 3 / 4, abs=0.05 * end_s)


def files_in(folder: Path, pattern: str = "*.csv") -> int:
    """Files that are whole: a browser makes an empty one of the name first."""
    return sum(path.stat().st_size > 0 for path in folder.glob(pattern))


def times_of(path: Path) -> list[float]:
    lines = path.read_text(encoding="utf-8").splitlines()[1:]
    return [float(line.split(",")[0]) for line in lines]


def test_the_keyboard_reaches_all_that_the_pointer_does(
    site: Path, start_desk: Start, browser: Chrome
) -> None:
    page = Page(browser, start_desk(str(site), "--speed", "1"))

    page.key("p")
    page.wait(lambda: page.text("#pause") == "Go on", "it stands still")
    stood_ms = page.plant_ms()
    page.key("s")
    page.wait(lambda: page.plant_ms() == stood_ms + 100, "one scan")
    page.key("]")
    page.wait(lambda: page.text("#panel-unit h2") == "Unit 2", "the next unit")
    page.key("f")
    assert page.find("#panel-faults").is_displayed()
    browser.switch_to.active_element.send_keys(Keys.ARROW_RIGHT)
    assert page.find("#panel-journal").is_displayed()
    unnamed = browser.execute_script(
        "return [...document.querySelectorAll('button, select, input')].filter(e => !e.closest('dialog') &&"
        " !(e.textContent.trim() || e.getAttribute('aria-label') || e.labels?.length)).map(e => e.id)"
    )
    assert unnamed == []


def test_a_still_is_a_picture_of_the_page(site: Path, tmp_path: Path) -> None:
    file = tmp_path / "desk.png"

    done = command("watch", str(site), "--port", "0", "--still", str(file), "--still-at", "60", cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    assert file.read_bytes().startswith(b"\x89PNG")
    assert file.stat().st_size > BLANK_PNG_BYTES_MAX
