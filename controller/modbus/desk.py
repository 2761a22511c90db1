"""What the servers of both kinds share: putting requests before the devices, and counting."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from controller.modbus.frames import Request
from controller.modbus.pdu import WRITES, Code, NoAnswerError, Registers, answer, refusal


@dataclass
class Counts:
    """What a server has seen, for a status line. Only ever written by the server."""

    requests: int = 0
    """Intact requests for units of ours, broadcasts included."""
    exceptions: int = 0
    """Of these, answered with an exception."""
    unanswered: int = 0
    """Of these, not answered, because the device was silent."""
    foreign: int = 0
    """Intact frames for units that are not ours."""
    bad_frames: int = 0
    """TCP: connections closed for a bad header. Serial: stretches of the line with what is no frame."""
    connections: int = 0
    """Open now."""
    accepted: int = 0
    dropped: int = 0
    """Connections closed for being idle, or the oldest idle one where there were too many."""
    reopened: int = 0
    """How often a serial port was lost and opened again."""
    failures: int = 0
    """Mistakes inside a device, answered with exception 04."""
    last_failure: str = ""
    """What a device or a serial port last died of."""


class Desk:
    """Puts requests before the devices and counts them."""

    def __init__(self, devices: Mapping[int, Registers]) -> None:
        self.devices = dict(devices)
        self.counts = Counts()

    def answer(self, request: Request, writer: str) -> bytes:
        """Response PDU of a device of ours; empty when it is silent."""
        self.counts.requests += 1
        try:
            pdu = answer(self.devices[request.unit], request.pdu, writer)
        except NoAnswerError:
            self.counts.unanswered += 1
            return b""
        except Exception as mistake:
            self.counts.failures += 1
            self.counts.last_failure = f"unit {request.unit}: {mistake!r}"
            pdu = refusal(request.pdu[0], Code.SERVER_DEVICE_FAILURE)
        self.counts.exceptions += pdu[0] >> 7
        return pdu

    def broadcast(self, request: Request, writer: str) -> None:
        """Carry a write out on every device."""
        if request.pdu[0] in WRITES:
            for unit in self.devices:
                self.answer(request._replace(unit=unit), writer)


def check_units(devices: Mapping[int, Registers], legal: range) -> None:
    """ValueError for a unit id that is not legal here."""
    for unit in devices:
        if unit not in legal:
            raise ValueError(f"unit id {unit} is not in {legal.start}..{legal.stop - 1}")
