"""A wiring that is at fault is refused in one line that says which entry, what, and what would do."""

from __future__ import annotations

from pathlib import Path

import pytest
from wiring_samples import FOR_BENCH, PAIR, TARGET, changed, wired

from controller.files import InputError
from controller.wiring import Asker, load_wiring

SKID = '[[device]]\nname = "skid*"\nlink = "io"\nunit_id = "*"\n'
HOST = 'host = "127.0.0.1"\nport = 1502\n'
SERIAL = 'serial = "/dev/ttyUSB0"\n'
LIFE = 'unit_id = 100\nlife = { table = "input", address = 100 }'
LOOPS = 'device = "bank"\ntable = "input"\naddress = 0\ntype = "int16"\nraw = [0, 27648]\n'
HEADER = (
    '    "bank.header_ma", "bank.feed_flow_ma", "bank.feed_temp_ma", "bank.feed_cond_ma", "bank.chlorine_ma",'
)
COILS = 'device = "bank"\ntable = "coil"\naddress = 0\n'
SKID_COILS = 'device = "skid*"\ntable = "coil"\naddress = 0\n'
EXTRA = '[[point]]\ndevice = "skid1"\nsignal = "unit1.divert"\n'


def told(text: str, asker: Asker = Asker.CONTROLLER, n_units: int = 2) -> str:
    """What a person is told about a wiring that must be refused."""
    with pytest.raises(InputError) as caught:
        wired(text, n_units, asker)
    line = str(caught.value)
    assert "\n" not in line
    assert line.startswith("wiring.toml: ")
    return line


def test_the_sample_is_sound() -> None:
    wired()
    wired(FOR_BENCH + TARGET, asker=Asker.BENCH)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        # keys, types, ranges
        ("unit_id = 100", "unitid = 100", "device[1].unitid ... did you mean unit_id?"),
        (HOST, 'hots = "a"\n', "link[1].hots ... did you mean host?"),
        ("unit_id = 100\n", "", "device[1].unit_id is missing"),
        ("[[link]]", "[[links]]", "links ... did you mean link?"),
        ("port = 1502", "port = 70000", "link[1].port ... 70000 ... 1 to 65535"),
        ("port = 1502", 'port = "x"', "link[1].port ... 'x' ... \"100+*\""),
        ("port = 1502", "port = 1.5", "link[1].port ... 1.5 ... whole number"),
        ("port = 1502", "timeout_ms = 5", "timeout_ms = 5 ... at least 10"),
        ("port = 1502", "exchange_ms = 900", "exchange_ms = 900 ... at most 500"),
        ('"discrete"', '"contact"', "point[1].table = 'contact' ... 'coil'"),
        ('"int16"', '"int61"', "point[2].type = 'int61' ... 'int16'"),
        ("address = 10\n", "address = 65536\n", "point[4].address ... at most 65535"),
        ("address = 10\n", "address = -1\n", "point[4].address ... at least 0"),
        ("[0, 27648]", "[0]", "point[2].raw ... at least 2"),
        ("[0, 27648]", "[0, inf]", "point[2].raw ... finite"),
        ("[0, 27648]", '["0", 1]', "point[2].raw ... number"),
        # links and devices
        (HOST, "", "link[1] ... either host, for TCP, or serial"),
        (HOST, HOST + SERIAL, "link[1] ... either host"),
        (HOST, HOST + "baud = 9600\n", "link[1].baud ... serial lines"),
        (HOST, SERIAL + "port = 502\n", "link[1].port ... TCP"),
        (HOST, SERIAL + "baud = 100\n", "link[1].baud ... at least 300"),
        (HOST, SERIAL + 'parity = "mark"\n', "link[1].parity ... 'even'"),
        ("unit_id = 100", "unit_id = 256", "device[1].unit_id ... 256 ... 0 to 255"),
        ("unit_id = 100", 'unit_id = "*"', 'device[1].unit_id ... no "*"'),
        ('unit_id = "*"', 'unit_id = "99+*"', 'both have unit_id 100 ... "bank" ... "skid1"'),
        ('unit_id = "*"', "unit_id = 5", '"skid1" ... "skid2" ... unit_id 5'),
        ('link = "io"', 'link = "ioo"', 'device[1].link ... "ioo" ... did you mean io?'),
        ('link = "io"', 'link = "io*"', "device[1].link ... the name has none"),
        ('name = "bank"', 'name = "skid1"', 'device[2].name ... "skid1" is there twice'),
        ("[[device]]", f'[[link]]\nname = "b"\n{HOST}[[device]]', "both go to 127.0.0.1:1502"),
        ("[[device]]", '[[link]]\nname = "b"\nhost = "b"\n[[device]]', 'link "b" has no device'),
        ("[[point]]", '[[device]]\nname = "x"\nlink = "io"\nunit_id = 9\n[[point]]', '"x" has no point'),
        ("unit_id = 100", "unit_id = 100\nmax_read = 126", "max_read = 126 ... at most 125"),
        ("unit_id = 100", "unit_id = 100\nmax_read_bits = 2001", "at most 2000"),
        ("unit_id = 100", "unit_id = 100\nmax_write = 124", "max_write = 124 ... at most 123"),
        ("unit_id = 100", "unit_id = 100\nmax_write_bits = 1969", "at most 1968"),
        (
            "unit_id = 100",
            "unit_id = 100\nfc23 = true\nmax_write = 122",
            "device[1].max_write ... 122 ... at most 121 with fc23",
        ),
        (
            "unit_id = 100",
            "unit_id = 100\nmax_write = 1",
            "bank.booster_speed_cmd_ma takes 2 ... max_write = 1",
        ),
        # service points
        (LIFE, LIFE.replace("input", "coil"), "device[1].life ... number in a register"),
        (LIFE, LIFE.replace("100 }", '9, type = "float32" }'), "device[1].life ... whole number"),
        (LIFE, LIFE.replace("100 }", "9, value = 3 }"), "device[1].life ... identity and known"),
        ("life", "known", "device[1].known ... value is missing"),
        (
            LIFE,
            LIFE.replace("life", "identity").replace("100 }", "9, value = 70000 }"),
            "70000 ... uint16 holds",
        ),
        (
            LIFE,
            LIFE.replace("life", "identity").replace("100 }", "9, value = 1.5 }"),
            "1.5 ... uint16 holds whole",
        ),
        (LIFE, LIFE.replace("100 }", '65535, type = "uint32" }'), "device[1].life ... 65536"),
        (LIFE, LIFE.replace("life", "identity").replace("100 }", '9, value = "*" }'), 'the name has no "*"'),
        (
            LIFE,
            LIFE.replace("life", "known").replace("100 }", "9, value = 4, raw = [0, 27648] }"),
            "device[1].known: value = 4 mA is at the end of what uint16 can hold",
        ),
        (LIFE, LIFE.replace("life", "owner_seen"), "owner_seen ... has no owner"),
        (LIFE, LIFE.replace("life", "heartbeat"), "bank.heartbeat ... nobody can write"),
        (LIFE, LIFE.replace("100 }", '9, word_order = "low_first" }'), "device[1].life ... 32 bits"),
        # signals
        ('"bank.horn"', '"bank.hron"', "point[3].signals[5] ... bank.hron ... did you mean bank.horn?"),
        ('"bank.horn"', '"horn"', "point[3].signals[5] ... horn is not in the I/O list"),
        ('"bank.horn"', '"unit3.beacon"', "unit3.beacon ... 2 units"),
        (', "bank.horn"', "", "bank.horn is not wired ... only options"),
        (HEADER, "", "bank.header_ma is not wired ... (and 4 more)"),
        (
            '"bank.horn"',
            '"bank.horn", "bank.horn"',
            "signals[6] ... bank.horn is wired already, by point[3].signals[5]",
        ),
        ('device = "bank"\n', 'device = "bnak"\n', "point[1].device ... bnak ... did you mean bank?"),
        (SKID_COILS, SKID_COILS.replace("skid*", "bank"), "share one address ... unit_step"),
        (COILS, COILS.replace('"bank"', '"skid*"'), "bank.booster_run ... for each unit"),
        (COILS, COILS + "unit_step = 9\n", "point[3].unit_step"),
        (SKID_COILS, SKID_COILS + "unit_step = 9\n", "point[7].unit_step"),
        # what does not go together
        (COILS, COILS + 'type = "uint16"\n', "bank.booster_run: is a contact ... uint16"),
        ('"int16"', '"bool"', "bank.header_ma: is a number ... bool"),
        ('type = "int16"\n', "", "bank.header_ma ... type is missing"),
        ("raw = [0, 27648]\n", "", "bank.header_ma ... raw is missing"),
        (LOOPS, LOOPS.replace("input", "discrete"), "bank.header_ma ... int16 ... holds bits"),
        (COILS, COILS + "bit = 0\n", "bank.booster_run ... holds bits"),
        (COILS, COILS.replace("coil", "holding"), "bank.booster_run ... needs bit"),
        (COILS, COILS.replace("coil", "holding") + "bit = 16\n", "bit = 16 ... less than 16"),
        (LOOPS, LOOPS + "bit = 3\n", "bank.header_ma ... bit is for a contact"),
        (LOOPS, LOOPS + "invert = true\n", "bank.header_ma ... invert is for a contact"),
        ("[0, 27648]", "[27648, 0]", "raw = [27648.0, 0.0] ... cannot be inverted"),
        ("[0, 27648]", "[5, 5]", "raw = [5.0, 5.0] ... smaller"),
        ("[0, 27648]", "[0, 40000]", "raw = [0.0, 40000.0] ... -32768 to 32767"),
        ("[0, 27648]", "[0, 9]\nma = [2, 20]", "ma = [2.0, 20.0] ... [4, 20] or [0, 20]"),
        (COILS, COILS + "ma = [4, 20]\n", "bank.booster_run ... for loops"),
        (LOOPS, LOOPS + 'word_order = "low_first"\n', "word_order ... 32 bits"),
        (LOOPS, LOOPS + 'codes = { 1 = "BOOT" }\n', "codes ... state and command"),
        ("address = 10\n", "address = 65533\n", "bank.dosing_rate_cmd_ma ... 65536 ... at most 65535"),
        # overlaps
        (
            LOOPS,
            LOOPS.replace("address = 0", "address = 93"),
            "bank.product_cond_ma ... bank.life ... input register 100 of bank",
        ),
        (
            "[[point]]",
            f'{EXTRA}table = "coil"\naddress = 4\n[[point]]',
            "unit1.divert ... unit1.beacon ... coil 4 of skid1",
        ),
        (
            "[[point]]",
            f'{EXTRA}table = "holding"\naddress = 0\nbit = 2\n[[point]]',
            "unit1.divert ... skid1.heartbeat ... holding register 0, bit 2",
        ),
    ],
)
def test_a_fault_is_named(old: str, new: str, words: str) -> None:
    line = told(changed(PAIR, (old, new)))
    assert [word for word in words.split(" ... ") if word not in line] == [], line


SECOND = 'signals = ["bank.booster_speed_cmd_ma", "bank.dosing_rate_cmd_ma"]'


def apart(address: int) -> str:
    """The two references in entries of their own, the second at that address."""
    return changed(
        PAIR,
        (
            SECOND,
            'signal = "bank.booster_speed_cmd_ma"\n\n[[point]]\nsignal = "bank.dosing_rate_cmd_ma"\n'
            f'device = "bank"\ntable = "holding"\naddress = {address}\ntype = "float32"\nraw = [4, 20]',
        ),
    )


@pytest.mark.parametrize("address", [9, 10, 11])
def test_two_values_of_two_registers_that_share_one_are_refused(address: int) -> None:
    line = told(apart(address))
    assert "bank.dosing_rate_cmd_ma and bank.booster_speed_cmd_ma (point[4].signal)" in line


@pytest.mark.parametrize("address", [8, 12])
def test_two_values_side_by_side_are_not(address: int) -> None:
    assert wired(apart(address)).point("bank.dosing_rate_cmd_ma").address == address


def test_one_address_in_two_tables_is_two_places() -> None:
    wiring = wired()
    assert wiring.point("unit1.feed_valve").address == wiring.point("unit1.selector_auto").address == 0


# --- who asks -------------------------------------------------------------------------------------------


def test_an_output_in_a_read_only_table_is_refused_when_the_controller_must_write_it() -> None:
    line = told(changed(PAIR, ('table = "coil"\naddress = 0', 'table = "discrete"\naddress = 30')))
    assert "bank.booster_run is in table = discrete, which nobody can write; the controller asks" in line


def test_an_output_in_a_read_only_table_is_sound_when_the_bench_reads_it() -> None:
    text = FOR_BENCH.replace('table = "coil"\naddress = 0', 'table = "discrete"\naddress = 0')
    assert wired(text, asker=Asker.BENCH).point("bank.horn").table == "discrete"


def test_an_input_in_a_read_only_table_is_refused_when_the_bench_must_write_it() -> None:
    line = told(PAIR, Asker.BENCH)
    assert "bank.estop_healthy is in table = discrete, which nobody can write; the bench asks" in line


def test_the_state_of_a_controller_may_be_read_only_when_the_bench_asks() -> None:
    text = TARGET.replace("holding", "input", 1)
    assert wired(FOR_BENCH + text, asker=Asker.BENCH).point("unit1.state").table == "input"
    assert "unit1.state is in table = input" in told(PAIR + text)


def test_a_register_whose_bits_are_partly_read_and_partly_written_is_refused() -> None:
    one = '[[point]]\ndevice = "skid1"\ntable = "holding"\naddress = 30\n'
    text = f'{PAIR}\n{one}bit = 0\nsignal = "unit1.divert"\n{one}bit = 1\nsignal = "unit1.feed_valve_shut"\n'
    assert "is written whole" in told(text)


# --- owner and heartbeat --------------------------------------------------------------------------------

OWNER = 'owner = { table = "holding", address = 5 }\nowner_seen = { table = "holding", address = 5 }'


def test_a_mark_may_be_read_back_from_where_it_is_written() -> None:
    assert wired(changed(PAIR, (LIFE, f"{LIFE}\n{OWNER}"))).device("bank").owner_seen is not None


def test_but_not_with_fc23_which_writes_before_it_reads() -> None:
    line = told(changed(PAIR, (LIFE, f"{LIFE}\nfc23 = true\n{OWNER}")))
    assert "always shows our own" in line


def test_no_other_point_may_lie_on_what_is_written() -> None:
    identity = 'identity = { table = "holding", address = 5, value = 9 }'
    assert "bank.identity" in told(changed(PAIR, (LIFE, f"{LIFE}\n{OWNER}\n{identity}")))


# --- serial, state and command --------------------------------------------------------------------------


@pytest.mark.parametrize("unit_id", [0, 248])
def test_a_serial_line_has_ids_1_to_247(unit_id: int) -> None:
    text = changed(PAIR, (HOST, SERIAL), ("unit_id = 100", f"unit_id = {unit_id}"))
    assert "1 to 247" in told(text)


@pytest.mark.parametrize("unit_id", [0, 255])
def test_a_connection_has_ids_0_to_255(unit_id: int) -> None:
    assert wired(changed(PAIR, ("unit_id = 100", f"unit_id = {unit_id}"))).device("bank").unit_id == unit_id


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ('10 = "STANDBY"', '10 = "STANBY"', "did you mean STANDBY?"),
        ('10 = "STANDBY"', 'x = "STANDBY"', "x must be a whole number"),
        ('10 = "STANDBY"', '70000 = "STANDBY"', "0 to 65535"),
        ('10 = "STANDBY"', '00 = "STANDBY"', "there twice"),
        ('1 = "start"', '0 = "start"', "no command at all"),
        ('2 = "stop"', '2 = "start"', "two numbers"),
        ('2 = "stop"', '2 = "halt"', '"halt" is no command'),
        ('codes = { 1 = "start", 2 = "stop" }', "", "codes is missing"),
        ('type = "uint16"', 'type = "float32"', "whole numbers"),
        ('table = "holding"', 'table = "coil"', "holds bits"),
    ],
)
def test_the_codes_of_state_and_command_are_checked(old: str, new: str, word: str) -> None:
    assert word in told(PAIR + changed(TARGET, (old, new)))


def test_a_site_without_the_file_is_told_so(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"wiring\.toml: No such file"):
        load_wiring(tmp_path, 2)
