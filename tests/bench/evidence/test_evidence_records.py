"""A record gives back what was seen, and is readable without this program."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from evidence_samples import make_trace
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.parts.journal import Entry
from sim_plant.bench.evidence import read_record, write_record
from sim_plant.bench.trace import Mark, Trace

EXACT = ("t_ms", "unit_di", "unit_do", "bank_di", "bank_do", "unit_state", "unit_age_ms", "bank_age_ms")
ROUNDED = ("unit_ai", "bank_ai", "bank_ao", "unit_truth", "bank_truth")


def assert_same(read: Trace, written: Trace) -> None:
    for name in EXACT:
        np.testing.assert_array_equal(getattr(read, name), getattr(written, name), err_msg=name, strict=True)
    for name in ROUNDED:
        got, want = getattr(read, name), getattr(written, name)
        assert got.dtype == want.dtype, name
        np.testing.assert_allclose(got, want, rtol=6e-8, atol=1e-37, err_msg=name)
    assert read.state_names == written.state_names
    assert read.marks == written.marks
    assert read.journal == written.journal


@settings(max_examples=25, deadline=None)
@given(rows=st.integers(0, 60), n_units=st.integers(1, 5), seed=st.integers(0, 10**6), data=st.data())
def test_a_record_comes_back_whole(
    tmp_path_factory: pytest.TempPathFactory, rows: int, n_units: int, seed: int, data: st.DataObject
) -> None:
    rng = np.random.default_rng(seed)
    trace = make_trace(rows=80, n_units=n_units, seed=seed)
    cut = {name: getattr(trace, name)[:rows] for name in (*EXACT, *ROUNDED)}
    for name in ROUNDED:
        cut[name] = cut[name] * 10.0 ** rng.integers(-6, 6, cut[name].shape)
    cut["unit_state"] = rng.integers(-1, 16, (rows, n_units)).astype(np.int16)
    texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
    marks = [Mark(i * 100, "inject", i % 3, data.draw(texts)) for i in range(data.draw(st.integers(0, 3)))]
    cut["bank_age_ms"] = rng.integers(0, 10**6, rows).astype(np.int32)
    lines = [Entry(mark.t_ms, mark.unit, "move", data.draw(texts)) for mark in marks]
    journal = data.draw(st.sampled_from([None, [], lines]))
    trace = replace(trace, marks=marks, journal=journal, **cut)
    path = tmp_path_factory.mktemp("records") / "run.parquet"
    write_record(trace, path, {"case": data.draw(texts)})
    assert_same(read_record(path), trace)


def test_writing_again_what_was_read_gives_the_same_bytes(tmp_path: Path) -> None:
    first, second = tmp_path / "a.parquet", tmp_path / "b.parquet"
    write_record(make_trace(rows=500), first, {"seed": "1"})
    write_record(read_record(first), second, {"seed": "1"})
    assert first.read_bytes() == second.read_bytes()


def test_the_same_trace_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.parquet", "b.parquet"):
        write_record(make_trace(rows=500), tmp_path / name, {})
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()


def test_another_tool_finds_names_units_words_and_notes(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_record(make_trace(rows=3000, n_units=2), path, {"case": "dip"})
    table = pq.read_table(path)
    assert {"t_ms", "unit2.feed_valve", "unit1.suction_ma", "bank.header_bar"} <= set(table.column_names)
    units = {name: table.schema.field(name).metadata for name in ("bank.header_bar", "unit1.suction_ma")}
    assert units == {"bank.header_bar": {b"unit": b"bar"}, "unit1.suction_ma": {b"unit": b"mA"}}
    assert table.column("unit1.state")[2000].as_py() == "PRODUCE"
    assert table.schema.metadata[b"case"] == b"dip"


def test_a_target_that_tells_no_state_leaves_nulls(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_record(make_trace(rows=100, tells_state=False), path, {})
    assert pq.read_table(path).column("unit1.state").null_count == 100
    assert (read_record(path).unit_state == -1).all()


def test_a_record_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_record(make_trace(rows=10), path, {})
    before = path.read_bytes()
    with pytest.raises(FileExistsError, match="never written over"):
        write_record(make_trace(rows=20), path, {})
    assert path.read_bytes() == before


def test_a_missing_column_is_named(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_record(make_trace(rows=10), path, {})
    table = pq.read_table(path)
    path.unlink()
    pq.write_table(table.drop_columns(["unit2.pump"]), path)
    with pytest.raises(ValueError, match=r"lacks a column.*unit2\.pump"):
        read_record(path)


def test_a_strangers_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_record(make_trace(rows=10), path, {})
    table = pq.read_table(path).replace_schema_metadata({})
    path.unlink()
    pq.write_table(table, path)
    with pytest.raises(ValueError, match="is not a 'skidproof record 1'"):
        read_record(path)


def test_a_record_rewritten_by_a_tool_that_sorts_its_words_reads_the_same(tmp_path: Path) -> None:
    path, plain = tmp_path / "run.parquet", tmp_path / "plain.parquet"
    trace = make_trace(rows=3000, n_units=2)
    write_record(trace, path, {})
    table = pq.read_table(path)
    for name in ("unit1.state", "unit2.state"):
        at = table.column_names.index(name)
        table = table.set_column(at, name, table.column(name).cast("string"))
    pq.write_table(table, plain)
    np.testing.assert_array_equal(read_record(plain).unit_state, trace.unit_state)
