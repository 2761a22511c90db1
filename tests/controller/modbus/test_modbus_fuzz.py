"""The short form of ``python -m tests.controller.modbus.fuzz``."""

from __future__ import annotations

import pytest

from tests.controller.modbus.fuzz import fuzz_rtu, fuzz_tcp

GROWTH_KB = 2048  # pages that the allocator keeps; a leak of a frame a request would be about as much


@pytest.mark.parametrize(("fuzz", "n_requests"), [(fuzz_tcp, 10_000), (fuzz_rtu, 2_000)])
def test_broken_requests_kill_nothing_grow_nothing_and_cost_a_legal_client_nothing(fuzz, n_requests):
    result = fuzz(n_requests, seed=7)
    assert result.is_good, str(result)
    assert result.rss_after_kb - result.rss_before_kb < GROWTH_KB, str(result)
    assert result.counts["requests"] > result.legal
    assert result.counts["exceptions"] > 0
    assert result.counts["bad_frames"] > 0
