"""A stored record in a real browser: any moment of it can be seen, and nothing can be commanded."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.support.wait import WebDriverWait

from sim_plant.bench.evidence.records import write_record
from sim_plant.bench.trace import Mark, Recorder

DEADLINE_S = 60.0
SCANS, CHANGE = 300, 100


def record(path: Path) -> None:
    """Two units in STANDBY; unit 2 goes to LOCKOUT at 10 s, when the bench breaks it."""
    trace = Recorder(2, ("STANDBY", "LOCKOUT")).trace()
    for name, column in vars(trace).items():
        if isinstance(column, np.ndarray):
            setattr(trace, name, np.zeros((SCANS, *column.shape[1:]), column.dtype))
    trace.t_ms = np.arange(SCANS, dtype=np.int64) * 100
    trace.unit_state[CHANGE:, 1] = 1
    trace.marks = [Mark(CHANGE * 100, "inject", 2, "motor_healthy stuck_open")]
    write_record(trace, path, {"run_id": "overload-1", "unit": "2"})


def test_a_record_can_be_looked_at_and_not_commanded(
    start_desk: Callable[..., str], browser: Chrome, tmp_path: Path
) -> None:
    record(tmp_path / "overload-1.parquet")

    def seen(css: str) -> str:
        return browser.find_element(By.CSS_SELECTOR, css).get_attribute("textContent") or ""

    def go(t_s: str) -> None:
        browser.execute_script("document.getElementById('back-to').value = arguments[0]", t_s)
        browser.find_element(By.ID, "back").click()

    def wait(css: str, text: str) -> None:
        WebDriverWait(browser, DEADLINE_S, 0.05).until(lambda _: text in seen(css), f"{css}: {text}")

    # given the page of a record: commands and faults are not there
    browser.get(start_desk("--record", "overload-1.parquet"))
    wait("#line", "record")
    assert browser.find_elements(By.CSS_SELECTOR, "#start, #inject, #bank-run") == []
    shown = [tab.text for tab in browser.find_elements(By.CSS_SELECTOR, "[role=tab]") if tab.is_displayed()]
    assert shown == ["Unit", "Alarms", "Journal"]
    assert not browser.find_element(By.ID, "save-open").is_displayed()
    assert "not in the record" in seen("#alarm-count")
    assert "Unit 2" in seen("#panel-unit h2")

    # when one goes forth and back, then the state of that moment is shown
    go("20")
    wait("[data-unit='2'] .code", "LO")
    go("5")
    wait("[data-unit='2'] .code", "SB")

    # and one scan goes on by one
    browser.find_element(By.ID, "one-scan").click()
    wait("#plant-time", "0:00:05.1")
