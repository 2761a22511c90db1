"""Mistakes of a user: each is refused in one line that says what to do, or counted, or mended when asked."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.files import InputError
from sim_plant.upkeep import logfile
from sim_plant.upkeep.findings import Findings, look_into
from tests.upkeep.logs import HEAD, TABLE, lines, steady, write

DAYS = lines(25)
METER = "[[hand_meter]]\non = 2026-01-02\nunit = 2\nhand_us_cm = 9\nloop_us_cm = 9\n"


def look(log: Path, *mend: str) -> Findings:
    return look_into(log, log.with_name("upkeep.toml"), mend)


def refused(
    folder: Path, rows: list[str] = DAYS, head: str = HEAD, table: str = TABLE, mend: str = ""
) -> str:
    log = write(folder, rows, head, table)
    with pytest.raises(InputError) as caught:
        look(log, *mend.split())
    assert "\n" not in str(caught.value)
    return str(caught.value)


def counts(found: Findings) -> dict[str, int]:
    return found.log.left_out.of | found.rows[0].counts.of


# --- the table --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        ('"bar" }\npressure_loss', '"bars" }\npressure_loss', "unit 'bars' is not one of bar, mbar, kPa"),
        ('"pf", unit = "bar"', '"pf"', "columns.feed_pressure: its unit is missing; one of bar"),
        ("feed_temperature =", "feed_temp =", "columns.feed_temp: not known; there are feed_pressure"),
        ('feed_salt = { column = "cf", unit = "mg/L" }\n', "", "columns.feed_salt is missing"),
        ("concentrate_flow =", "prefilter_loss =", "unit 'm3/h' is not one of bar"),
        ('column = "qp",', "constant = 1.4,", "a constant tells nothing"),
        ('column = "qp",', 'column = "qp", constant = 1.4,', "must have either column or constant"),
        ("first = 2026-01-02", 'first = "2026-01-02"', "must be a date without quotes"),
        ("first = 2026-01-02", "first = 2026-02-02", "last = 2026-01-05 must not be before first"),
        ('set_by = "A. Person"', "", "baseline.set_by is missing"),
        ('title = "A unit', 'units = [1, 2]\ntitle = "A unit', "several units need {unit}"),
        ('title = "A unit', 'units = [1, 1]\ntitle = "A unit', "units: must be different numbers"),
        ('time_zone = "UTC"', 'time_zone = "Mars"', "log.time_zone = 'Mars': must be"),
        ('time_zone = "UTC"', 'time_format = "iso8601"', "log.time_format = 'iso8601': must be"),
        ('time_zone = "UTC"', 'encoding = "utf-9"', "log.encoding = 'utf-9': not a known encoding"),
        ("[baseline]", f"{METER}[baseline]", "hand_meter.unit = 2: must be one of units"),
        ("[baseline]", "[law]\nloss_exponent = 3\n[baseline]", "law.loss_exponent = 3: must be at most 2"),
    ],
)  # fmt: skip
def test_a_slip_in_the_table_is_told(tmp_path, right, wrong, told):
    assert right in TABLE
    assert told in refused(tmp_path, table=TABLE.replace(right, wrong, 1))


def test_without_a_baseline_days_that_could_serve_are_named(tmp_path):
    told = refused(tmp_path, table=TABLE.split("[baseline]")[0])
    assert "a person must say" in told
    assert "first = 2026-01-01, last = 2026-01-03" in told


def test_a_baseline_outside_the_log_is_refused_with_the_days_of_the_log(tmp_path):
    told = refused(tmp_path, table=TABLE.replace("2026-01-0", "2025-01-0"))
    assert "rows that count on 0 days of it, at least 3 are needed" in told
    assert "2026-01-01 to 2026-01-25" in told


# --- the file ---------------------------------------------------------------------------------------


def test_an_empty_file_a_head_alone_and_no_file(tmp_path):
    assert "a head and no rows" in refused(tmp_path, rows=[])
    (tmp_path / "log.csv").write_bytes(b" \n")
    with pytest.raises(InputError, match=r"log\.csv: the file is empty"):
        look(tmp_path / "log.csv")
    (tmp_path / "log.csv").unlink()
    with pytest.raises(InputError, match="No such file"):
        look(tmp_path / "log.csv")


def test_a_column_that_is_missing_or_there_twice(tmp_path):
    assert "no column 'degc'; did you mean 'degC'?" in refused(tmp_path, head=HEAD.replace("degc", "degC"))
    assert "column 'pf' is there 2 times" in refused(tmp_path, head=HEAD.replace("pp", "pf"))


def test_the_wrong_separator(tmp_path):
    told = refused(tmp_path, [line.replace(",", ";") for line in DAYS], HEAD.replace(",", ";"))
    assert "one column only, 'time;pf;loss;pp;qp;qc;degc;cf;cp'; is log.separator = ',' right?" in told


def test_another_encoding(tmp_path):
    log = write(tmp_path, DAYS)
    log.write_bytes(("température," + log.read_text()).encode("cp1252"))
    with pytest.raises(InputError, match=r"not utf-8: set log\.encoding, for example"):
        look(log)


def test_too_many_rows(tmp_path, monkeypatch):
    monkeypatch.setattr(logfile, "ROWS_MAX", 99)
    assert "more than 99 rows" in refused(tmp_path)
    monkeypatch.setattr(logfile, "FILE_BYTES_MAX", 2_000_000 // 1_000)
    assert "cut or thin the log" in refused(tmp_path)


def test_a_file_that_is_neither(tmp_path):
    write(tmp_path, DAYS)
    (tmp_path / "log.csv").write_bytes(b"PAR1 and nothing of it")
    with pytest.raises(InputError, match="not a Parquet file that can be read"):
        look(tmp_path / "log.csv")
    (tmp_path / "log.csv").write_bytes(b"\0\1\2\n" * 9)
    with pytest.raises(InputError, match="neither a CSV text nor a Parquet file"):
        look(tmp_path / "log.csv")


def test_a_row_with_too_few_cells_is_counted(tmp_path):
    found = look(write(tmp_path, [*DAYS[:50], "2026-01-13T09:00+00:00,1", *DAYS[50:]]))
    assert counts(found)["not as many cells as the head"] == 1
    assert found.log.left_out.first_line["not as many cells as the head"] == 52


def test_parquet_gives_what_csv_gives(tmp_path):
    log = write(tmp_path, DAYS)
    cells = list(zip(*(line.split(",") for line in DAYS), strict=True))
    names = HEAD.split(",")
    moments = pa.array(cells[0]).cast(pa.timestamp("ms", tz="UTC"))
    table = pa.table([moments, *([float(cell) for cell in column] for column in cells[1:])], names=names)
    pq.write_table(table, tmp_path / "log.parquet")
    assert look(tmp_path / "log.parquet").days == look(log).days


def test_parquet_that_holds_other_things_than_numbers_is_refused_like_any_bad_value(tmp_path):
    log = write(tmp_path, DAYS)
    cells = list(zip(*(line.split(",") for line in DAYS), strict=True))
    columns = [list(cells[0]), [[1.0]] * len(DAYS), *([float(c) for c in column] for column in cells[2:])]
    pq.write_table(pa.table(columns, names=HEAD.split(",")), tmp_path / "log.parquet")
    with pytest.raises(InputError, match="feed_pressure is no number"):
        look_into(tmp_path / "log.parquet", log.with_name("upkeep.toml"))


@settings(max_examples=30, deadline=None, derandomize=True)
@given(
    st.integers(0, 99), st.integers(0, 8), st.text(max_size=12), st.binary(max_size=4), st.integers(0, 5000)
)
def test_whatever_stands_in_a_log_it_is_read_or_refused_in_one_line(row, place, text, noise, at):
    with tempfile.TemporaryDirectory() as folder:
        cells = DAYS[row].split(",")
        cells[place] = text
        log = write(Path(folder), [*DAYS[:row], ",".join(cells), *DAYS[row + 1 :]])
        log.write_bytes(log.read_bytes()[:at] + noise + log.read_bytes()[at:])
        told = "read"
        try:
            look(log, "sort", "doubles")
        except InputError as error:
            told = str(error)
        assert len(told.splitlines()) == 1


# --- times ------------------------------------------------------------------------------------------


def test_times_that_go_back_are_refused_and_put_in_order_when_asked(tmp_path):
    mixed = [*DAYS[:40], DAYS[41], DAYS[40], *DAYS[42:]]
    assert "line 43: the time goes back, 1 times in all; --mend sort" in refused(tmp_path, mixed)
    found = look(write(tmp_path, mixed), "sort")
    assert found.days == look(write(tmp_path, DAYS)).days
    assert "rows were put in the order of time, which went back 1 times" in found.doubts


def test_times_that_come_twice_are_refused_and_the_first_kept_when_asked(tmp_path):
    twice = [*DAYS[:40], DAYS[39].replace(",0.25,", ",9,"), *DAYS[40:]]
    assert "line 42: the same time as line 41, 1 such rows in all; --mend doubles" in refused(tmp_path, twice)
    found = look(write(tmp_path, twice), "doubles")
    assert found.days == look(write(tmp_path, DAYS)).days
    assert counts(found)["the time of a row before"] == 1


def test_times_without_a_zone_need_one_in_the_table(tmp_path):
    naive = [line.replace("+00:00", "") for line in DAYS]
    table = TABLE.replace('time_zone = "UTC"\n', "")
    assert "line 2: time '2026-01-01T00:30:00' has no zone" in refused(tmp_path, naive, table=table)
    assert look(write(tmp_path, naive)).days == look(write(tmp_path, DAYS)).days


def test_a_zone_of_the_table_moves_times_and_an_offset_of_the_row_is_kept(tmp_path):
    naive = [line.replace("+00:00", "") for line in DAYS]
    moved = look(write(tmp_path, naive, table=TABLE.replace('"UTC"', '"-05:00"')))
    assert moved.log.moments_s[0] - look(write(tmp_path, DAYS)).log.moments_s[0] == 5 * 3600
    kept = look(write(tmp_path, DAYS, table=TABLE.replace('"UTC"', '"-05:00"')))
    assert kept.log.moments_s == look(write(tmp_path, DAYS)).log.moments_s


def test_the_hour_in_which_the_clocks_go_back_is_counted_not_guessed(tmp_path):
    rows = [line.replace("+00:00", "") for line in DAYS]
    rows[50] = "2025-10-26T01:30:00," + rows[50].split(",", 1)[1]
    found = look(write(tmp_path, rows, table=TABLE.replace('"UTC"', '"Europe/Lisbon"')), "sort")
    assert counts(found)["time in the hour in which the clocks are changed"] == 1


def test_a_format_that_does_not_fit_is_told_with_the_first_line(tmp_path):
    told = refused(tmp_path, table=TABLE.replace('time_zone = "UTC"', 'time_format = "%d.%m.%Y %H:%M"'))
    assert "100 of 100 rows: time not in the format %d.%m.%Y %H:%M, the first in line 2" in told


def test_other_formats_are_read(tmp_path):
    found = look(write(tmp_path, DAYS))
    for pattern, cell in (("unix_s", "{:.0f}"), ("unix_ms", "{:.0f}000")):
        rows = [
            f"{cell.format(at)},{line.split(',', 1)[1]}"
            for at, line in zip(found.log.moments_s, DAYS, strict=True)
        ]
        table = TABLE.replace('time_zone = "UTC"', f'time_format = "{pattern}"')
        assert look(write(tmp_path, rows, table=table)).days == found.days


def test_a_clock_that_stood_at_1970_is_counted(tmp_path):
    found = look(write(tmp_path, [*DAYS, "1970-01-01T00:00+00:00," + DAYS[0].split(",", 1)[1]]))
    assert counts(found)["time outside the years 1990 to 2100"] == 1


# --- values -----------------------------------------------------------------------------------------


def with_cell(line: str, name: str, cell: str) -> str:
    cells = line.split(",")
    cells[HEAD.split(",").index(name)] = cell
    return ",".join(cells)


def all_times(name: str, factor: float) -> list[str]:
    place = HEAD.split(",").index(name)
    return [with_cell(line, name, f"{float(line.split(',')[place]) * factor:.6g}") for line in DAYS]


@pytest.mark.parametrize(
    ("name", "factor", "told"),
    [
        ("pf", 14.5038, "feed_pressure is above 80 bar; is bar right? kPa or psi would make sense"),
        ("cf", 0.0016, "feed_salt is below 50 mg/L; is mg/L right? mS/cm or g/L would make sense"),
        ("degc", 3.1, "feed_temperature is above 50 degC; is degC right? degF would make sense"),
        ("qp", 1400.0, "permeate_flow is above 1000 m3/h; is m3/h right? L/h or"),
        ("pf", 0.1, "feed_pressure leaves no net driving pressure; is bar right? MPa"),
        ("cp", 60.0, "permeate_salt is not below feed_salt"),
    ],
)
def test_the_wrong_unit_is_refused_and_those_that_would_fit_are_named(tmp_path, name, factor, told):
    assert told in refused(tmp_path, all_times(name, factor))


def test_decimal_commas_are_named_and_read_when_the_table_says_so(tmp_path):
    rows = [line.replace(",", ";").replace(".", ",") for line in DAYS]
    table = TABLE.replace('time_zone = "UTC"', 'time_zone = "UTC"\nseparator = ";"')
    told = refused(tmp_path, rows, HEAD.replace(",", ";"), table)
    assert "feed_pressure is no number ('" in told
    assert told.endswith('for a decimal comma set log.decimal = ","')
    table = table.replace("separator", 'decimal = ","\nseparator')
    assert look(write(tmp_path, rows, HEAD.replace(",", ";"), table)).days == look(write(tmp_path, DAYS)).days


@pytest.mark.parametrize(
    ("name", "cell", "told"),
    [
        ("qc", "-0.2", "concentrate_flow is negative"),
        ("qc", "0", "concentrate_flow is zero, or permeate_flow not below feed_flow"),
        ("cp", "Bad", "permeate_salt is no number"),
        ("pf", "", "feed_pressure is no number"),
        ("pf", "nan", "feed_pressure is no number"),
        ("degc", "inf", "feed_temperature is no number"),
        ("degc", "1_5", "feed_temperature is no number"),
        ("degc", "0x1F", "feed_temperature is no number"),
        ("qp", "-0.01", "the unit does not run"),
        ("qp", "", "permeate_flow is no number"),
    ],
)
def test_a_bad_value_costs_its_row_and_is_counted(tmp_path, name, cell, told):
    found = look(write(tmp_path, [*DAYS[:50], with_cell(DAYS[50], name, cell), *DAYS[51:]]))
    assert counts(found)[told] == 1
    assert found.rows[0].counts.first_line[told] == 52


def test_more_than_one_bad_row_in_ten_is_told_as_a_doubt(tmp_path):
    rows = [with_cell(line, "cp", "Bad") if k % 8 == 0 else line for k, line in enumerate(DAYS)]
    assert "unit 1: 13 of 100 rows in which it runs are bad" in look(write(tmp_path, rows)).doubts


def test_a_unit_that_never_runs(tmp_path):
    told = refused(tmp_path, [with_cell(line, "qp", "0") for line in DAYS])
    assert "unit 1 does not run in any of 100 rows, says column 'qp'" in told


def test_a_contact_with_a_strange_word(tmp_path):
    table = TABLE.replace("[columns]\n", '[columns]\nrunning = { column = "run" }\n')
    told = refused(tmp_path, [f"{line},maybe" for line in DAYS], f"{HEAD},run", table)
    assert "column 'run': 'maybe' is neither on nor off" in told


def test_what_is_taken_and_not_measured_is_told(tmp_path):
    table = TABLE.replace('{ column = "pp", unit = "bar" }', '{ constant = 0.3, unit = "bar" }')
    table = table.replace('pressure_loss = { column = "loss", unit = "bar" }\n', "")
    doubts = look(write(tmp_path, DAYS, table=table)).doubts
    assert "permeate pressure: taken as 0.3 bar throughout, not logged" in doubts
    assert any("pressure loss from feed to concentrate: not logged" in doubt for doubt in doubts)


def test_a_salt_passage_that_no_such_membrane_has_is_told_as_a_doubt(tmp_path):
    doubts = look(write(tmp_path, all_times("cp", 10.0))).doubts
    assert "unit 1: 22 % of the salt passed in the baseline; D4516 is for high rejection" in " ".join(doubts)


def test_every_row_of_the_file_ends_in_one_count(tmp_path):
    rows = lines(25, reading=lambda day: steady(15.0 + day / 2))
    rows[30:36] = [with_cell(line, "qp", "0") for line in rows[30:36]]
    rows[50] = with_cell(rows[50], "cp", "Bad")
    rows[60] = rows[60].split(",", 1)[1]
    found = look(write(tmp_path, [*rows[:70], *rows[69:], "", "x"]), "doubles")
    unit = found.rows[0]
    assert found.log.rows_in_file == 102
    assert found.log.left_out.total() + unit.counts.total() + int(unit.settled.sum()) == 102
