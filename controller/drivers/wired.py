"""From a wiring to what the remote driver needs: links, the devices on them, what their registers mean."""

from __future__ import annotations

from controller.drivers.remote import RemoteDevice, RemoteLink
from controller.modbus.link import Link, LinkSettings, Rs485, SerialSettings, TcpSettings
from controller.modbus.settings import is_loopback
from controller.wiring import (
    Asker,
    Device,
    Parity,
    Point,
    SerialLink,
    TcpLink,
    Use,
    Wiring,
    exchanges_of,
    pack,
    unpack,
)
from controller.wiring import Link as WiredLink
from controller.wiring import Rs485 as WiredRs485

_PARITY = {Parity.EVEN: "E", Parity.ODD: "O", Parity.NONE: "N"}


def remote_links(wiring: Wiring, allow_remote: bool = False) -> list[RemoteLink]:
    """Every link of a wiring with its devices; nothing is opened yet.

    InputError for a link that leaves this machine, unless ``allow_remote``. Read are the field's inputs; in
    a wiring in which the bench asks, the outputs and states of the controller that answers.
    """
    return [
        RemoteLink(
            Link(settings_of(link), allow_remote=allow_remote),
            [_device(wiring, device) for device in wiring.devices if device.link == link.name],
            link.exchange_ms,
        )
        for link in wiring.links
    ]


def beyond_this_machine(wiring: Wiring) -> tuple[str, ...]:
    """Links behind which outputs may be real, in words: other hosts, and every serial port."""
    return tuple(
        f"{link.name} ({place_of(link)})"
        for link in wiring.links
        if isinstance(link, SerialLink) or not is_loopback(link.host)
    )


def place_of(link: WiredLink) -> str:
    """Where a link goes."""
    return f"{link.host}:{link.port}" if isinstance(link, TcpLink) else link.port


def settings_of(link: WiredLink) -> LinkSettings:
    """What opens a link."""
    if isinstance(link, TcpLink):
        return TcpSettings(link.host, link.port)
    rs485 = None if link.rs485 is None else _rs485(link.rs485)
    return SerialSettings(link.port, link.baud, _PARITY[link.parity], link.stop_bits, rs485=rs485)


def _rs485(wired: WiredRs485) -> Rs485:
    return Rs485(
        rts_level_for_tx=wired.rts_on_send,
        rts_level_for_rx=wired.rts_on_receive,
        loopback=wired.loopback,
        delay_before_tx_s=wired.delay_before_send_ms / 1000.0,
        delay_before_rx_s=wired.delay_before_receive_ms / 1000.0,
    )


def _device(wiring: Wiring, device: Device) -> RemoteDevice:
    signals = Use.FIELD_INPUT if wiring.asker is Asker.CONTROLLER else Use.FIELD_OUTPUT
    own = [point for point in wiring.points if point.device == device.name]
    states = [p.name for p in own if p.use is Use.STATE and wiring.asker is Asker.BENCH]
    return RemoteDevice(
        name=device.name,
        unit_id=device.unit_id,
        timeout_s=device.timeout_ms / 1000.0,
        exchanges=exchanges_of(wiring, device.name),
        inputs=tuple(point.name for point in own if point.use is signals),
        pack=pack,
        unpack=unpack,
        identity=_expected(device.identity),
        known=_expected(device.known),
        numbers=tuple(states),
    )


def _expected(point: Point | None) -> float | None:
    return None if point is None else point.expected
