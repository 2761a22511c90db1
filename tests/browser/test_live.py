"""A running controller in a real browser: it is seen, its loss is seen, and nothing can be commanded."""

from __future__ import annotations

import time
from collections.abc import Callable

from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.support.wait import WebDriverWait

from controller.modbus.server import ServerThread, serve_tcp
from controller.tables import Table
from controller.unit.states import UnitState
from tests.controller.panel.panel_desk import Desk

DEADLINE_S = 60.0


class Scanning:
    """A firmware that scans whenever it is asked after 0.1 s; answers as its status port does."""

    def __init__(self) -> None:
        self.desk = Desk(2)
        self.desk.until(UnitState.START_FLUSH)
        self.due_s = 0.0

    def read(self, table: Table, address: int, count: int) -> list[int]:
        if time.monotonic() >= self.due_s:
            self.desk.scan()
            self.due_s = time.monotonic() + 0.1
        return list(self.desk.device.read(table, address, count))

    def write(self, _table: Table, _address: int, _values: object, _writer: str) -> None:
        raise AssertionError("a page that only reads has written")


def test_a_controller_is_seen_lost_and_seen_again(start_desk: Callable[..., str], browser: Chrome) -> None:
    def seen(css: str) -> str:
        return browser.find_element(By.CSS_SELECTOR, css).get_attribute("textContent") or ""

    def wait(css: str, text: str) -> None:
        WebDriverWait(browser, DEADLINE_S, 0.05).until(lambda _: text in seen(css), f"{css}: {text}")

    device = Scanning()
    with ServerThread() as thread:
        # given the page of a controller on this machine: nothing can be commanded
        port = thread.start(serve_tcp({1: device})).port
        browser.get(start_desk("--status", f"127.0.0.1:{port}"))
        wait("#line", "read only")
        wait("[data-unit='1'] .code", "SF")
        buttons = "#start, #inject, #bank-run, #panel-alarms button"
        assert browser.find_elements(By.CSS_SELECTOR, buttons) == []
        for name in ("pause", "speed", "back", "save-open", "tab-bank", "tab-faults"):
            assert not browser.find_element(By.ID, name).is_displayed(), name

    # when it dies, then all of it is not known, with what to look at
    wait("#line", "look at address, port, network and supply")
    wait("[data-unit='1'] .code", "?")
    assert "not known" in seen("[data-unit='1'] .diagram")
    assert "not known" in seen("#panel-unit .contacts")
    assert "not known" in seen("#alarm-count")

    # and it comes back by itself
    with ServerThread() as thread:
        thread.start(serve_tcp({1: device}, port=port))
        wait("[data-unit='1'] .code", "SF")
        wait("#line", "read only")
