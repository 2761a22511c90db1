"""The few ways in which an exchange can fail, each in words that say where to look."""

from __future__ import annotations

from enum import StrEnum


class Trouble(StrEnum):
    """Kinds of failure; there are no others."""

    NOT_CONNECTED = "not connected"
    TIMED_OUT = "timed out"
    GARBLED = "garbled"
    FOREIGN = "foreign answer"
    REFUSED = "device exception"


class LinkError(Exception):
    """An exchange gave no data. The message is one sentence for the person who has to mend it.

    ``code`` is the device's exception code when ``kind`` is REFUSED, else None.
    """

    def __init__(self, kind: Trouble, text: str, code: int | None = None) -> None:
        super().__init__(text)
        self.kind, self.code = kind, code


MEANINGS = {
    0x01: "illegal function: the device does not take this kind of request; look at the table of the points",
    0x02: "illegal data address: look at the address, which counts from zero, and at the length of the block",
    0x03: "illegal data value: look at the number of registers in one request and at the value written",
    0x04: "device failure: the device could not do what was asked; look at the device",
    0x05: "acknowledge: the device needs longer than one request; it is no device for cyclic exchange",
    0x06: "device busy: ask less often, or look for another master",
    0x08: "memory parity error: look at the device",
    0x0A: "gateway path unavailable: look at the gateway's serial port and its settings",
    0x0B: "gateway target does not answer: look at the device behind the gateway, its unit id and its cable",
}
"""Exception codes in words. Source of code and name: MODBUS Application Protocol V1.1b3, section 7."""


def refused(code: int) -> LinkError:
    """The device answered with an exception."""
    meaning = MEANINGS.get(code, "a code that the protocol does not know; look at the device's manual")
    return LinkError(Trouble.REFUSED, f"exception {code:02X}, {meaning}", code)


def not_connected(text: str) -> LinkError:
    """There is nobody to ask."""
    return LinkError(Trouble.NOT_CONNECTED, text)


def timed_out(text: str) -> LinkError:
    """Too little came before the deadline."""
    return LinkError(Trouble.TIMED_OUT, text)


def garbled(text: str) -> LinkError:
    """What came is no frame, or not as long as the answer to this request must be."""
    return LinkError(Trouble.GARBLED, text)


def foreign(text: str) -> LinkError:
    """A sound frame, but the answer to something else."""
    return LinkError(Trouble.FOREIGN, text)
