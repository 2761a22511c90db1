"""Which rows count: those of a unit that has run steadily for a while."""

from __future__ import annotations

from datetime import timedelta

from sim_plant.upkeep.findings import look_into
from sim_plant.upkeep.rows import AFTER_GAP, NOT_RUNNING, PURGE, STARTING, UnitRows
from tests.upkeep.logs import HEAD, START, TABLE, row, steady, write

TEN_DAYS_S = 10 * 86400


def rows_of(tmp_path, edit=lambda _minute, line: line, table=TABLE, head=HEAD, minutes=None) -> UnitRows:
    """Ten days with a row every two hours, then the given minutes one by one; ``edit`` changes the latter."""
    every = [row(START + timedelta(hours=2 * k), steady()) for k in range(120)]
    close = []
    for minute in minutes if minutes is not None else range(60):
        line = edit(minute, row(START + timedelta(days=10, minutes=minute), steady()))
        close += [line] if line else []
    log = write(tmp_path, [*every, *close], head, table)
    return look_into(log, log.with_name("upkeep.toml")).rows[0]


def reasons(rows: UnitRows) -> list[str]:
    """Of the rows after the ten days."""
    return rows.reasons[120:]


def still(line: str) -> str:
    cells = line.split(",")
    cells[HEAD.split(",").index("qp")] = "0"
    return ",".join(cells)


def purge(line: str) -> str:
    cells = line.split(",")
    cells[HEAD.split(",").index("qc")] = "1.9"
    return ",".join(cells)


def test_the_first_row_of_a_log_does_not_count(tmp_path):
    assert rows_of(tmp_path, minutes=[]).reasons[:2] == [AFTER_GAP, ""]


def test_ten_minutes_after_a_start_do_not_count(tmp_path):
    found = reasons(rows_of(tmp_path, lambda minute, line: still(line) if minute == 20 else line))
    assert found[19:] == ["", NOT_RUNNING, AFTER_GAP, *[STARTING] * 9, *[""] * 29]


def test_the_first_row_after_a_gap_does_not_count_since_the_start_may_lie_just_before_it(tmp_path):
    """A gap is three times the usual spacing, here six hours."""
    found = rows_of(tmp_path, minutes=[8 * 60, 10 * 60, 16 * 60, 18 * 60])
    assert reasons(found) == [AFTER_GAP, "", "", ""]


def test_a_concentrate_flow_far_above_its_usual_is_a_purge(tmp_path):
    found = reasons(rows_of(tmp_path, lambda minute, line: purge(line) if minute in (30, 31) else line))
    assert [k for k, reason in enumerate(found) if reason == PURGE] == [30, 31]


def test_contacts_decide_where_the_table_names_them(tmp_path):
    table = TABLE.replace(
        "[columns]\n", '[columns]\nrunning = { column = "run" }\npurging = { column = "flush" }\n'
    )
    every = [f"{row(START + timedelta(hours=2 * k), steady())},1,0" for k in range(150)]
    every[140], every[145] = every[140][:-3] + "on,Open", every[145][:-3] + "0,0"
    log = write(tmp_path, every, f"{HEAD},run,flush", table)
    found = look_into(log, log.with_name("upkeep.toml")).rows[0].reasons
    assert [found[k] for k in (139, 140, 141, 145, 146, 147)] == ["", PURGE, "", NOT_RUNNING, AFTER_GAP, ""]
    assert sum(bool(reason) for reason in found) == 4


def test_a_pump_off_row_is_not_bad_whatever_its_other_values_are(tmp_path):
    def off(minute: int, line: str) -> str:
        return line.split(",")[0] + ",-0.1,0,0,0,0,,," if minute == 59 else line

    rows = rows_of(tmp_path, off)
    assert reasons(rows)[-1] == NOT_RUNNING
    assert rows.bad == 0


def test_a_log_with_one_row_a_day_is_taken_though_starts_are_not_seen(tmp_path):
    log = write(tmp_path, [row(START + timedelta(days=k), steady()) for k in range(40)])
    found = look_into(log, log.with_name("upkeep.toml"))
    assert int(found.rows[0].settled.sum()) == 39
    assert "unit 1: a row every 1440 min; a start in between is not seen" in found.doubts
