"""Every request that a wiring comes to is answered by its devices, whatever the limits in it."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from serve_samples import COIL, DISCRETE, DRIVEN, HOLDING, INPUT, MARKED, Time, image

from controller.drivers.remote import by_name
from controller.wiring import Use, Wiring, default_wiring, exchanges_of, pack, unpack
from sim_plant.serve.remote_io import RemoteIo, values_of
from tests.wiring.wiring_samples import PAIR, changed, wired

ONE_PLC = changed(
    PAIR.replace('device = "bank"', 'device = "plc"').replace(
        'device = "skid*"\n', 'device = "plc"\nunit_step = 50\n'
    ),
    (
        '[[device]]\nname = "skid*"\nlink = "io"\nunit_id = "*"',
        '[[device]]\nname = "plc"\nlink = "io"\nunit_id = 9',
    ),
    (
        '[[device]]\nname = "bank"\nlink = "io"\nunit_id = 100\nlife = { table = "input", address = 100 }\n',
        "",
    ),
    ('life = { table = "input", address = 100 }', 'life = { table = "input", address = 2000 }'),
)
"""One device for all; units and bank must not meet, so the bank's tables are moved below."""
_BANK_TABLES = ("discrete", "input", "coil")
TABLES = {"coil": COIL, "discrete": DISCRETE, "holding": HOLDING, "input": INPUT}


def one_plc() -> str:
    text = ONE_PLC
    for table in _BANK_TABLES:
        text = text.replace(f'table = "{table}"\naddress = 0', f'table = "{table}"\naddress = 1000', 1)
    return text


FORMS = {"marked": MARKED, "one plc": one_plc()}


@settings(max_examples=150, deadline=None)
@given(
    form=st.sampled_from(sorted(FORMS)),
    gap=st.integers(0, 124),
    max_read=st.integers(2, 125),
    max_read_bits=st.integers(1, 2000),
    max_write=st.integers(2, 121),
    max_write_bits=st.integers(1, 1968),
    fc23=st.booleans(),
    inputs_in_holding=st.booleans(),
    word_order=st.sampled_from(("high_first", "low_first")),
)
def test_one_round_reads_the_image_and_two_rounds_drive_the_outputs(
    form: str, inputs_in_holding: bool, word_order: str, fc23: bool, **limits: int
) -> None:
    text = FORMS[form]
    if inputs_in_holding:  # only such are read and written by one request of function 23
        text = text.replace('table = "input"\naddress = ', 'table = "holding"\naddress = 3')
    keys = [f"{name} = {value}" for name, value in limits.items()]
    keys += [f"fc23 = {str(fc23).lower()}", f'word_order = "{word_order}"']
    text = text.replace('link = "io"\n', 'link = "io"\n' + "\n".join(keys) + "\n")
    check(wired(text))


@pytest.mark.parametrize("units", [1, 2, 64])
def test_so_it_is_with_the_default_wiring(units: int) -> None:
    check(default_wiring(units))


def check(wiring: Wiring) -> None:
    io = RemoteIo(wiring, Time())
    outputs = DRIVEN._replace(units=(DRIVEN.units * 32)[: wiring.n_units])
    shown = image(wiring.n_units, first_ma=4.5)
    io.publish(shown)
    read: dict[str, bool | float] = {}
    for beat in (1, 2):
        for device in wiring.devices:
            registers = io.on_link(device.link)[device.unit_id]
            marks = {f"{device.name}.heartbeat": beat, f"{device.name}.owner": 7}
            for exchange in exchanges_of(wiring, device.name):
                if (block := exchange.write) is not None:
                    content = pack(block, by_name(outputs) | marks)
                    registers.write(TABLES[block.table], block.address, content, "")
                if (block := exchange.read) is not None:
                    content = registers.read(TABLES[block.table], block.address, block.count)
                    read |= unpack(block, content)
    assert io.drive() == outputs
    assert io.lost_devices() == ()
    names = [point.name for point in wiring.points if point.use is Use.FIELD_INPUT]
    told = values_of(shown)
    assert [read[name] for name in names] == pytest.approx([told[name] for name in names], abs=0.0006)
