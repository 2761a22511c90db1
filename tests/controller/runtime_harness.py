"""A clock that the test turns, a driver that takes its time, and lists in place of disks."""

from __future__ import annotations

from collections.abc import Callable

from controller.drivers.memory import MemoryDriver
from controller.firmware import Controller
from controller.notify import Notifier
from controller.parts.journal import Entry
from controller.runtime import Clock, Loop
from controller.settings import Setpoints
from controller.signals import Inputs, Outputs

SCAN_MS = 100
MS = 1_000_000


class FakeClock(Clock):
    """Time goes on only by sleeping and by what the driver takes."""

    def __init__(self) -> None:
        self.ns = 5_000 * MS
        self.offset_ns = 1_700_000_000_000 * MS
        self.oversleep_ns = 0

    def now_ns(self) -> int:
        return self.ns

    def wall_ns(self) -> int:
        return self.ns + self.offset_ns

    def sleep_until(self, moment_ns: int) -> None:
        self.ns = max(self.ns, moment_ns) + self.oversleep_ns


class SlowDriver(MemoryDriver):
    """Takes ``takes_ms[scan]`` to read; fails in the scan ``fails_in``; remembers what was written."""

    def __init__(self, n_units: int, clock: FakeClock) -> None:
        super().__init__(n_units)
        self.clock = clock
        self.takes_ms: dict[int, float] = {}
        self.fails_in: int | None = None
        self.write_fails = False
        self.reads_ns: list[int] = []
        self.written: list[Outputs] = []

    def read(self) -> Inputs:
        scan = len(self.reads_ns)
        self.reads_ns.append(self.clock.ns)
        self.clock.ns += round(self.takes_ms.get(scan, 0) * MS)
        if scan == self.fails_in:
            raise ConnectionError("the line is dead")
        return super().read()

    def write(self, outputs: Outputs) -> None:
        if self.write_fails:
            raise ConnectionError("the line is dead")
        super().write(outputs)
        self.written.append(outputs)


class Records:
    """Journal lines in a list, with their wall time."""

    def __init__(self) -> None:
        self.lines: list[Entry] = []
        self.walls_ns: list[int] = []

    def add(self, entry: Entry, wall_ns: int) -> None:
        self.lines.append(entry)
        self.walls_ns.append(wall_ns)

    def texts(self, kind: str) -> list[str]:
        return [line.text for line in self.lines if line.kind == kind]


class Kept:
    """Retained texts in a list."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    def offer(self, text: str) -> None:
        self.texts.append(text)


class Bench:
    """A loop of one unit with everything around it in reach."""

    def __init__(self, setpoints: Setpoints | None = None, notifier: Notifier | None = None) -> None:
        self.clock = FakeClock()
        self.driver = SlowDriver(1, self.clock)
        self.records, self.kept = Records(), Kept()
        self.controller = Controller(1, setpoints or Setpoints())
        self.notifier = notifier or Notifier({}, 1)
        self.loop = Loop(
            self.controller, self.driver, self.records, self.kept, self.notifier, SCAN_MS, self.clock
        )

    def run(self, scans: int, before: Callable[[int], None] = lambda _scan: None) -> None:
        """So many scans; ``before`` is called before each."""
        first = self.loop.scans

        def go_on() -> bool:
            if self.loop.scans - first == scans:
                return False
            before(self.loop.scans - first)
            return True

        self.loop.run(go_on)

    def starts_ms(self) -> list[float]:
        """When each scan began, from the first."""
        return [(t_ns - self.driver.reads_ns[0]) / MS for t_ns in self.driver.reads_ns]
