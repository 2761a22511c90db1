"""Runs that begin alike keep their beginning once, and lose nothing by it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from evidence_samples import make_result, make_trace

from sim_plant.bench.evidence import EvidenceFolder, keep_run, read_record, read_run


def test_a_run_is_read_back_whole_though_its_beginning_is_kept_apart(tmp_path: Path) -> None:
    folder = EvidenceFolder(tmp_path)
    trace = make_trace(rows=300)
    result = replace(make_result("one"), trace=trace, shared="prepared", shared_rows=200)

    keep_run(folder.path, result, {})

    own = tmp_path / "records" / "one.parquet"
    assert len(read_record(own).t_ms) == 100
    whole = read_run(own)
    np.testing.assert_array_equal(whole.t_ms, trace.t_ms)
    np.testing.assert_array_equal(whole.unit_do, trace.unit_do)
    assert whole.marks == trace.marks


def test_two_runs_share_one_record_of_their_beginning(tmp_path: Path) -> None:
    folder = EvidenceFolder(tmp_path)
    for name in ("one", "two"):
        result = replace(make_result(name), trace=make_trace(rows=300), shared="prepared", shared_rows=200)
        keep_run(folder.path, result, {})

    names = sorted(path.name for path in (tmp_path / "records").iterdir())
    assert names == ["one.parquet", "prepared.parquet", "two.parquet"]
