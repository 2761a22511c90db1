"""Clients that are not ours against our servers, on TCP and on a serial line of pseudo terminals.

pymodbus; libmodbus (C); modbus-serial (npm); mbpoll. A peer that is not installed fails its tests: a run that
met no stranger must not look like one that did.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.client.base import ModbusBaseSyncClient
from pymodbus.pdu import ExceptionResponse

from controller.modbus.server import ServerThread, serve_serial, serve_tcp
from controller.tables import Table
from tests.controller.modbus.lines import SerialCable
from tests.controller.modbus.tables import Tables
from tests.hil.npm_peer import install

HIL = Path(__file__).parents[2] / "hil"
INSTALL = "install the peers: apt-get install gcc libmodbus-dev mbpoll nodejs npm"
UNIT = 17
BAUD = 115_200
PATTERN = [1, 0, 1, 0, 1, 0, 1, 0, 1, 1]
TIME_LIMIT_S = 60.0


@dataclass(frozen=True)
class Line:
    """Our device on a line: ``arguments`` are those of the peers in tests/hil."""

    kind: str
    where: str
    number: int
    device: Tables

    @property
    def arguments(self) -> list[str]:
        return [self.kind, self.where, str(self.number), str(UNIT)]


def filled() -> Tables:
    device = Tables(200)
    device.set(Table.DISCRETE, 0, [int(i % 3 == 0) for i in range(200)])
    device.set(Table.INPUT, 0, [1000 + i for i in range(200)])
    return device


@pytest.fixture(params=["tcp", "rtu"])
def line(request: pytest.FixtureRequest) -> Iterator[Line]:
    device = filled()
    with ServerThread() as thread:
        if request.param == "tcp":
            server = thread.start(serve_tcp({UNIT: device}))
            yield Line("tcp", "127.0.0.1", server.port, device)
        else:
            with SerialCable() as cable:
                thread.start(serve_serial({UNIT: device}, cable.names[0], BAUD, parity="N"))
                yield Line("rtu", cable.names[1], BAUD, device)


def run(*command: str | Path, **environment: str) -> str:
    """What the program printed; its error text when it did not end well."""
    if shutil.which(str(command[0])) is None:
        pytest.fail(f"{command[0]} is missing; {INSTALL}")
    done = subprocess.run(
        list(map(str, command)),
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=TIME_LIMIT_S,
        check=False,
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}{done.stderr}\n{INSTALL}"
    return done.stdout


def assert_written(device: Tables) -> None:
    """What every full client leaves behind."""
    expected = filled()
    expected.set(Table.COIL, 3, [1])
    expected.set(Table.COIL, 10, PATTERN)
    expected.set(Table.HOLDING, 20, [0xBEEF])
    expected.set(Table.HOLDING, 30, [7, 8, 65535])
    expected.set(Table.HOLDING, 40, [7, 8, 65535])
    assert device.values == expected.values


def pymodbus_client(line: Line) -> ModbusBaseSyncClient:
    if line.kind == "tcp":
        return ModbusTcpClient(line.where, port=line.number)
    return ModbusSerialClient(line.where, baudrate=line.number)


def test_pymodbus_is_served(line):
    with pymodbus_client(line) as client:
        inputs = client.read_discrete_inputs(0, count=10, device_id=UNIT)
        assert inputs.bits[:10] == [i % 3 == 0 for i in range(10)]
        assert client.read_input_registers(10, count=5, device_id=UNIT).registers == [*range(1010, 1015)]
        client.write_coil(3, True, device_id=UNIT)
        client.write_coils(10, [bool(bit) for bit in PATTERN], device_id=UNIT)
        coils = client.read_coils(0, count=20, device_id=UNIT).bits[:20]
        assert coils == [i == 3 for i in range(10)] + [bool(bit) for bit in PATTERN]
        client.write_register(20, 0xBEEF, device_id=UNIT)
        client.write_registers(30, [7, 8, 65535], device_id=UNIT)
        assert client.read_holding_registers(20, count=1, device_id=UNIT).registers == [0xBEEF]
        both = client.readwrite_registers(
            read_address=40, read_count=5, write_address=40, values=[7, 8, 65535], device_id=UNIT
        )
        assert both.registers == [7, 8, 65535, 0, 0]
        refused = client.read_holding_registers(200, count=1, device_id=UNIT)
        assert isinstance(refused, ExceptionResponse)
        assert (refused.function_code, refused.exception_code) == (0x83, 2)
    assert_written(line.device)


@pytest.fixture(scope="session")
def libmodbus_client(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program = tmp_path_factory.mktemp("libmodbus") / "client"
    run("cc", "-Wall", "-Werror", "-o", program, HIL / "libmodbus_client.c", "-lmodbus")
    return program


def test_libmodbus_is_served(line, libmodbus_client):
    assert run(libmodbus_client, *line.arguments) == "served\n"
    assert_written(line.device)


@pytest.fixture(scope="session")
def node_modules(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return install(tmp_path_factory.mktemp("npm"))


def test_modbus_serial_of_npm_is_served(line, node_modules):
    said = run("node", HIL / "modbus_serial_client.js", *line.arguments, NODE_PATH=str(node_modules))
    assert said == "served\n"
    assert_written(line.device)


def mbpoll(line: Line, *options: str, values: tuple[int, ...] = ()) -> list[int]:
    """One exchange of mbpoll, addresses from zero; the values that it prints."""
    place = ["-p", str(line.number)] if line.kind == "tcp" else ["-b", str(line.number), "-P", "none"]
    common = ["-m", line.kind, *place, "-a", str(UNIT), "-0", "-1", "-q", "-o", "5"]
    said = run("mbpoll", *common, *options, line.where, *map(str, values))
    return [int(row.split(":")[1].split()[0]) for row in said.splitlines() if row.startswith("[")]


def test_mbpoll_is_served(line):
    assert mbpoll(line, "-t", "1", "-r", "0", "-c", "10") == [int(i % 3 == 0) for i in range(10)]
    assert mbpoll(line, "-t", "3", "-r", "10", "-c", "5") == [*range(1010, 1015)]
    mbpoll(line, "-t", "0", "-r", "3", values=(1,))
    mbpoll(line, "-t", "0", "-r", "10", values=tuple(PATTERN))
    assert mbpoll(line, "-t", "0", "-r", "0", "-c", "20") == [int(i == 3) for i in range(10)] + PATTERN
    mbpoll(line, "-t", "4", "-r", "20", values=(0xBEEF,))
    mbpoll(line, "-t", "4", "-r", "30", values=(7, 8, 9))
    assert mbpoll(line, "-t", "4", "-r", "30", "-c", "4") == [7, 8, 9, 0]
    assert line.device.values[Table.HOLDING][20] == 0xBEEF
