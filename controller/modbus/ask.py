"""The way out: pymodbus numbers, builds and sends a request, and is told to expect no answer."""

from __future__ import annotations

from pymodbus.client.base import ModbusBaseSyncClient

from controller.modbus import requests as fc
from controller.modbus.requests import Request


def send(client: ModbusBaseSyncClient, request: Request) -> None:
    """Send and return; raises pymodbus's ConnectionException, or the line's own error, when it cannot."""
    unit, address, count = request.unit_id, request.address, request.count
    match request.function:
        case fc.READ_COILS:
            client.read_coils(address, count=count, device_id=unit, no_response_expected=True)
        case fc.READ_DISCRETE_INPUTS:
            client.read_discrete_inputs(address, count=count, device_id=unit, no_response_expected=True)
        case fc.READ_HOLDING:
            client.read_holding_registers(address, count=count, device_id=unit, no_response_expected=True)
        case fc.READ_INPUT:
            client.read_input_registers(address, count=count, device_id=unit, no_response_expected=True)
        case fc.WRITE_COILS:
            bits = [bool(value) for value in request.written]
            client.write_coils(address, bits, device_id=unit, no_response_expected=True)
        case fc.WRITE_HOLDING:
            values = list(request.written)
            client.write_registers(address, values, device_id=unit, no_response_expected=True)
        case fc.WRITE_AND_READ:
            client.readwrite_registers(
                read_address=address,
                read_count=count,
                write_address=request.write_address,
                values=list(request.written),
                device_id=unit,
                no_response_expected=True,
            )
        case other:
            raise ValueError(f"function {other} is never asked")
