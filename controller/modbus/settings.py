"""What a link is: one TCP connection or one serial line, and what is refused before anything is opened."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from urllib.parse import urlsplit

from controller.files import InputError


@dataclass(frozen=True, slots=True)
class TcpSettings:
    """One TCP connection."""

    host: str
    port: int = 502


@dataclass(frozen=True, slots=True)
class Rs485:
    """How the port itself switches an RS-485 transceiver (the fields of pyserial's RS485Settings).

    Not needed for an adapter that switches by itself, as most USB ones do.
    """

    rts_level_for_tx: bool = True
    rts_level_for_rx: bool = False
    loopback: bool = False
    delay_before_tx_s: float | None = None
    delay_before_rx_s: float | None = None


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """One serial line, Modbus RTU.

    ``port`` is a name of the system or a pyserial URL (``loop``, ``socket``, ``rfc2217``, ``hwgrep``).
    The default of 19200 baud, even parity is that of MODBUS over Serial Line V1.02, section 2.5.1.

    ``late_answer_s`` is the longest time after a request in which a device may still answer it. After a
    failure the line rests until then, because an RTU frame carries no number: an answer of the same shape
    that comes while the next request is out would be taken for its answer. Devices built on libmodbus await
    the answer of a silent neighbour for 0.5 s and take the next request for it, so the default is longer.
    ``silence_s`` is the pause between frames; None means 3.5 characters.
    """

    port: str
    baud: int = 19_200
    parity: str = "E"
    stop_bits: int = 1
    data_bits: int = 8
    rs485: Rs485 | None = None
    late_answer_s: float = 0.6
    silence_s: float | None = None

    @property
    def character_s(self) -> float:
        """Time of one character on the line."""
        return (1 + self.data_bits + (self.parity != "N") + self.stop_bits) / self.baud

    @property
    def frame_gap_s(self) -> float:
        """Silence that parts two frames: 3.5 characters, never below 1.75 ms above 19200 baud.

        Source: MODBUS over Serial Line V1.02, section 2.5.1.1.

        >>> round(SerialSettings("x", baud=9600).frame_gap_s * 1000, 2)
        4.01
        """
        if self.silence_s is not None:
            return self.silence_s
        return 0.00175 if self.baud > 19_200 else 3.5 * self.character_s


LinkSettings = TcpSettings | SerialSettings

_URLS = ("loop", "socket", "rfc2217", "hwgrep")
_URLS_OF_A_HOST = ("socket", "rfc2217")


def name_of(settings: LinkSettings) -> str:
    """How messages call this link."""
    return f"{settings.host}:{settings.port}" if isinstance(settings, TcpSettings) else settings.port


def check(settings: LinkSettings, allow_remote: bool) -> None:
    """Raise InputError for a link that may not be opened."""
    if isinstance(settings, TcpSettings):
        _check_host(settings.host, allow_remote)
        return
    if settings.parity not in ("N", "E", "O"):
        raise InputError(f"{settings.port}: parity {settings.parity} is none of N, E, O")
    if settings.late_answer_s < 0.0:
        raise InputError(f"{settings.port}: late_answer_s = {settings.late_answer_s} is below 0")
    if "://" not in settings.port:
        return
    url = urlsplit(settings.port)
    if url.scheme not in _URLS:
        raise InputError(f"{settings.port}: {url.scheme} is none of {', '.join(_URLS)}")
    if url.scheme in _URLS_OF_A_HOST:
        _check_host(url.hostname or "", allow_remote)


def _check_host(host: str, allow_remote: bool) -> None:
    if allow_remote or is_loopback(host):
        return
    raise InputError(f"{host} is not this machine; a link to another machine must be allowed expressly")


def is_loopback(host: str) -> bool:
    """Whether this name or address can only mean this machine; no name is looked up."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"
