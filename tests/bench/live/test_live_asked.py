"""A server that the bench asks: a known value that it holds otherwise, and how old its image is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from live_samples import SEED, live_site

from controller.drivers.rounds import RemoteLink
from controller.drivers.wired import remote_links
from controller.modbus.link import Read, Write
from controller.modbus.troubles import refused
from controller.wiring import Asker, load_wiring
from sim_plant.bench.live.asked import AskedField
from sim_plant.bench.live.field import AGED_MS
from sim_plant.plant import Plant
from tests.serve.serve_samples import until

HIL = Path(__file__).parents[2] / "hil"
KNOWN_AT = 40
KNOWN = (0x449A, 0x5000)
"""1234.5 as a float of IEEE 754, the high word first."""
LAST = 219


class Registers:
    """A link to a server whose holding registers end at ``LAST``; life goes on with every question."""

    losses = 0

    def __init__(self) -> None:
        self.held = dict.fromkeys(range(LAST + 1), 0)
        self.held[20] = 4711
        self.questions = 0
        self.hears = True  # it shows our marks

    def put(self, address: int, words: Sequence[int]) -> None:
        self.held |= dict(enumerate(words, address))

    def exchange(
        self, _unit_id: int, write: Write | None, read: Read | None, _fc23: bool, _deadline_s: float
    ) -> list[int]:
        self.questions += 1
        self.held[19] = self.questions % 65_536
        if write is not None:
            self.put(write[1], [int(word) for word in write[2]])
            if self.hears:
                self.held[23], self.held[24] = self.held[10], self.held[11]
        if read is None:
            return []
        wanted = range(read[1], read[1] + read[2])
        if any(address not in self.held for address in wanted):
            raise refused(2)
        return [self.held[address] for address in wanted]

    def close(self) -> None:
        return


Met = tuple[AskedField, Registers, list[str]]


def meet(folder: Path, known_at: int) -> Met:
    """The bench before the stand-in PLC as a server, not yet asking; the known value stands elsewhere."""
    text = (HIL / "serving.toml").read_text(encoding="utf-8")
    old = 'known = { table = "holding", address = 21,'
    assert old in text
    (folder / "wiring.toml").write_text(text.replace(old, old.replace("21", str(known_at))), encoding="utf-8")
    wiring = load_wiring(folder, 2, Asker.BENCH)
    link, said = Registers(), list[str]()
    (wired,) = remote_links(wiring)
    return AskedField(wiring, [RemoteLink(link, wired.devices, 5)], said.append), link, said


@pytest.fixture
def met(tmp_path: Path) -> Iterator[Met]:
    """With registers on both sides of the known value."""
    met = meet(tmp_path, KNOWN_AT)
    yield met
    met[0].close()


def ask(field: AskedField) -> None:
    site = live_site()
    field.publish(Plant(site.units, site.file.plant, SEED).inputs(()))


@pytest.mark.parametrize(
    ("address", "words", "told"),
    [
        (KNOWN_AT, KNOWN[::-1], "words swapped, word_order = low_first fits"),
        (KNOWN_AT - 1, KNOWN, "the address is given one too high"),
        (KNOWN_AT + 1, KNOWN, "the address is given one too low"),
        (KNOWN_AT, (7, 7), "no simple slip explains it"),
    ],
    ids=["words", "high", "low", "none"],
)
def test_a_known_value_that_is_wrong_is_told_with_the_slip_that_explains_it(
    met: Met, address: int, words: Sequence[int], told: str
) -> None:
    field, link, said = met
    link.put(address, words)

    ask(field)

    assert until(lambda: told in field.trouble()), field.trouble()
    assert field.trouble().startswith("plc.known reads ")
    assert sum(told in line for line in said) == 1


def test_registers_that_the_server_does_not_give_are_done_without(tmp_path: Path) -> None:
    field, link, _said = meet(tmp_path, LAST - 1)
    link.put(LAST - 1, KNOWN[::-1])

    ask(field)

    assert until(lambda: "words swapped" in field.trouble()), field.trouble()
    field.close()


def test_when_the_known_value_is_right_again_nothing_is_wrong(met: Met) -> None:
    field, link, _said = met
    link.put(KNOWN_AT, KNOWN[::-1])
    ask(field)
    assert until(lambda: "words swapped" in field.trouble())

    link.put(KNOWN_AT, KNOWN)

    assert until(lambda: field.trouble() == ""), field.trouble()


def test_the_image_of_a_server_that_does_not_hear_us_ages(met: Met) -> None:
    """It answers, and its life goes on; one device holds the images of bank and units."""
    field, link, _said = met
    link.put(KNOWN_AT, KNOWN)
    assert field.ages_ms() == (0, 0, 0)
    ask(field)
    assert until(lambda: field.trouble() == ""), field.trouble()
    assert max(field.ages_ms()) < AGED_MS

    link.hears = False

    assert until(lambda: min(field.ages_ms()) > AGED_MS), field.ages_ms()
