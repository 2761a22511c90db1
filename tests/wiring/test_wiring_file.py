"""What an entry of wiring.toml stands for: patterns, groups, defaults; and what is remarked on."""

from __future__ import annotations

import pytest
from wiring_samples import FOR_BENCH, PAIR, TARGET, changed, wired

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS
from controller.wiring import (
    Asker,
    Direction,
    Parity,
    Rs485,
    SerialLink,
    TcpLink,
    WordOrder,
    blocks_of,
    default_wiring,
    encode,
    load_wiring,
)
from sim_plant.site import demo_folder

HOST = 'host = "127.0.0.1"\nport = 1502\n'
LOOPS = 'device = "skid*"\ntable = "input"\naddress = 0\ntype = "int16"\nraw = [0, 27648]\n'
LIFE_HERE = 'life = { table = "input", address = 100'
LIFE = 'unit_id = 100\nlife = { table = "input", address = 100 }'


def test_the_nursery_is_wired_as_a_site_without_a_file() -> None:
    assert load_wiring(demo_folder(), 6) == default_wiring(6)


@pytest.mark.parametrize("n_units", [1, 6, 24, 64])
def test_the_standard_wiring_carries_every_signal_and_leaves_nothing_to_remark_on(n_units: int) -> None:
    wiring = default_wiring(n_units)
    names = [f"bank.{signal.name}" for signal in BANK_SIGNALS]
    for unit in range(1, n_units + 1):
        names += [f"unit{unit}.{signal.name}" for signal in UNIT_SIGNALS]
    assert [point.name for point in wiring.points] == names
    assert wiring.notes == wiring.left_out == ()


def test_a_star_stands_for_every_unit() -> None:
    wiring = wired(n_units=3)
    assert [(device.name, device.unit_id) for device in wiring.devices] == [
        ("bank", 100),
        ("skid1", 1),
        ("skid2", 2),
        ("skid3", 3),
    ]
    assert wiring.point("unit3.pump").device == "skid3"
    assert wiring.point("unit3.pump").tag == "YC-310"
    assert wiring.point("skid3.life").address == 100


def test_a_star_may_be_in_the_place_of_a_link_and_in_a_sum() -> None:
    link = '[[link]]\nname = "skid*"\nhost = "10.0.0.1*"\nport = "1500+*"\n\n[[device]]\nname = "skid*"\n'
    text = changed(
        PAIR,
        ('[[device]]\nname = "skid*"\nlink = "io"\nunit_id = "*"', f'{link}link = "skid*"\nunit_id = "10+*"'),
    )
    wiring = wired(text)
    assert wiring.link("skid2") == TcpLink("skid2", "10.0.0.12", 1502, 200, 100)
    assert (wiring.device("skid2").link, wiring.device("skid2").unit_id) == ("skid2", 12)


def test_one_device_may_carry_all_units_a_step_apart() -> None:
    text = changed(
        PAIR,
        (
            LOOPS,
            'device = "bank"\ntable = "input"\naddress = 200\nunit_step = 16\ntype = "int16"\nraw = [0, 1]\n',
        ),
    )
    wiring = wired(text, 3)
    places = [wiring.point(f"unit{unit}.membrane_ma").address for unit in (1, 2, 3)]
    assert places == [201, 217, 233]


def test_signals_of_a_group_follow_one_another_by_the_width_of_their_type() -> None:
    wiring = wired()
    assert wiring.point("bank.dosing_rate_cmd_ma").address == 12
    assert wiring.point("bank.sump_ok").address == 14


def test_bits_of_a_group_run_on_into_the_next_register() -> None:
    text = changed(PAIR, ('table = "discrete"\naddress = 0\n', 'table = "input"\naddress = 50\nbit = 12\n'))
    places = [(p.address, p.bit) for p in wired(text).points[:6]]
    assert places == [(50, 12), (50, 13), (50, 14), (50, 15), (51, 0), (51, 1)]


def test_a_spare_keeps_its_place() -> None:
    text = changed(PAIR, ('"bank.booster_run", ', '"bank.booster_run", "spare", '))
    assert wired(text).point("bank.dosing_run").address == 2


def test_the_word_order_of_a_device_is_that_of_its_points_unless_they_say_otherwise() -> None:
    text = changed(PAIR, ("unit_id = 100", 'unit_id = 100\nword_order = "low_first"'))
    text = changed(text, (LIFE_HERE, f'{LIFE_HERE}, type = "uint32"'))
    assert wired(text).point("bank.dosing_rate_cmd_ma").word_order is WordOrder.LOW_FIRST
    assert wired(text).point("bank.life").word_order is WordOrder.LOW_FIRST
    text = changed(text, ('type = "float32"', 'type = "float32"\nword_order = "high_first"'))
    assert encode(wired(text).point("bank.dosing_rate_cmd_ma"), 4.0) == [0x4080, 0]


def test_a_serial_line_has_what_the_standard_gives_it() -> None:
    link = wired(changed(PAIR, (HOST, 'serial = "/dev/ttyUSB0"\n'))).links[0]
    assert link == SerialLink("io", "/dev/ttyUSB0", 19200, Parity.EVEN, 1, None, 200, 100)


def test_a_serial_line_may_switch_its_driver() -> None:
    text = changed(PAIR, (HOST, 'serial = "socket://gate:7000"\nrs485 = { delay_before_send_ms = 2 }\n'))
    link = wired(text).links[0]
    assert isinstance(link, SerialLink)
    assert link.rs485 == Rs485(True, False, 2.0, 0.0, False)


def test_a_device_may_have_a_time_out_of_its_own() -> None:
    wiring = wired(changed(PAIR, ("unit_id = 100", "unit_id = 100\ntimeout_ms = 700")))
    assert (wiring.device("bank").timeout_ms, wiring.device("skid1").timeout_ms) == (700, 200)


def test_a_limit_that_is_left_out_is_that_of_the_protocol() -> None:
    assert wired().device("bank").max_write == 123
    assert (
        wired(changed(PAIR, ("unit_id = 100", "unit_id = 100\nfc23 = true"))).device("bank").max_write == 121
    )


def test_what_a_controller_under_test_has_besides_has_codes() -> None:
    wiring = wired(FOR_BENCH + TARGET, asker=Asker.BENCH)
    assert wiring.point("unit2.state").codes == (
        (0, "BOOT"),
        (10, "STANDBY"),
        (11, "STANDBY"),
        (20, "PRODUCE"),
    )
    assert wiring.points[-1].name == "unit2.command"


# --- notes ----------------------------------------------------------------------------------------------


def noted(text: str, asker: Asker = Asker.CONTROLLER) -> str:
    return "\n".join(wired(text, asker=asker).notes)


def test_options_that_are_left_out_are_noted() -> None:
    assert "unit1.feed_valve_shut and 5 more: an option, not wired" in noted(PAIR)


@pytest.mark.parametrize(
    ("new", "words"),
    [
        (
            'type = "uint16"\nraw = [0, 27648]',
            "raw cannot go below 4 mA, so a broken loop looks like a measurement",
        ),
        ('type = "uint16"\nraw = [0, 65535]', "raw cannot go above 20 mA"),
    ],
)
def test_a_scaling_that_hides_a_broken_loop_is_noted(new: str, words: str) -> None:
    scaling = 'type = "int16"\nraw = [0, 27648]'
    assert words in noted(changed(PAIR, (scaling, new)))
    assert words not in noted(PAIR)


@pytest.mark.parametrize(
    ("table", "closed"),
    [
        ('table = "discrete"\naddress = 0\n', "a cut wire reads closed"),
        ('table = "coil"\naddress = 0\n', "lets go"),
    ],
)
def test_inversion_is_noted(table: str, closed: str) -> None:
    text = changed(PAIR, (table, f"{table}invert = true\n"))
    assert closed in noted(text)
    assert "inverted" not in noted(PAIR)


def test_an_address_that_looks_like_a_reference_is_noted() -> None:
    text = changed(PAIR, ("address = 10\n", "address = 40011\n"))
    assert "bank.booster_speed_cmd_ma: address 40011 looks like a reference" in noted(text)


def test_what_a_device_cannot_prove_is_noted() -> None:
    notes = noted(PAIR)
    assert "bank and 2 more: no known" in notes
    assert "no life" not in notes
    assert "bank: no life: whether its values are fresh cannot be seen" in noted(
        changed(PAIR, (LIFE, "unit_id = 100"))
    )


def test_a_known_value_that_proves_no_word_order_is_noted() -> None:
    known = f'{LIFE}\nknown = {{ table = "input", address = 50, value = 4660 }}'
    assert "bank.known: one register proves no word order" in noted(changed(PAIR, (LIFE, known)))
    wide = known.replace("value = 4660", 'type = "float32", value = 1234.5')
    assert "proves no word order" not in noted(changed(PAIR, (LIFE, wide)))


def test_a_read_over_a_gap_is_allowed_by_the_device_only_and_noted() -> None:
    apart = PAIR.replace("address = 100 }", "address = 8 }")
    assert "is read in 3 requests" in noted(apart)
    bridged = apart.replace('unit_id = "*"\n', 'unit_id = "*"\ngap = 3\n')
    assert "skid1 and 1 more: the read of input 0 to 8 runs over 3 that no point names" in noted(bridged)
    assert [b.count for b in blocks_of(wired(bridged), "skid1", Direction.READ)] == [9, 9]


def test_a_line_that_is_too_slow_for_its_round_is_noted() -> None:
    slow = changed(PAIR, (HOST, 'serial = "COM3"\nbaud = 9600\n'))
    assert "on the line alone, more than exchange_ms = 100" in noted(slow)
    assert "on the line alone" not in noted(changed(PAIR, (HOST, 'serial = "COM3"\nbaud = 115200\n')))


def test_one_stop_bit_without_parity_is_noted() -> None:
    text = changed(PAIR, (HOST, 'serial = "COM3"\nparity = "none"\n'))
    assert "two stop bits" in noted(text)
    assert "two stop bits" not in noted(changed(text, ("parity", "stop_bits = 2\nparity")))


def test_state_and_command_are_noted_when_nobody_takes_them() -> None:
    assert "our firmware passes it over" in noted(PAIR + TARGET)
    assert "passes it over" not in noted(FOR_BENCH + TARGET, Asker.BENCH)
