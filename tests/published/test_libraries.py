"""The plant's laws stay near independent packages over their whole range."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from iapws._iapws import _Viscosity

from tests.published.libraries import COMPARISONS


@pytest.mark.parametrize("comparison", COMPARISONS, ids=lambda comparison: comparison.what)
@settings(
    max_examples=60, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.differing_executors],  # each comparison is a test of its own
)  # fmt: skip
@given(data=st.data())
def test_the_error_stays_within_its_bound_anywhere_in_the_box(comparison, data):
    at = [data.draw(st.floats(low, high), label=axis) for axis, (low, high) in zip(
        comparison.axes, comparison.box, strict=True)]  # fmt: skip
    assert comparison.error(*at) <= comparison.bound


@pytest.mark.parametrize("comparison", COMPARISONS, ids=lambda comparison: comparison.what)
def test_the_worst_error_on_the_grid_is_the_one_that_the_page_states(comparison):
    """Given another version of a library, a tenth more or less is no news; rounding never is."""
    worst = comparison.worst()
    assert worst <= 1.1 * comparison.seen + 1e-13
    assert worst >= 0.9 * comparison.seen - 1e-13


def test_the_library_of_viscosity_gives_the_check_value_of_its_release():
    """IAPWS R12-08, table of check values: 998 kg/m3 and 298.15 K give 889.735100 uPa s."""
    assert _Viscosity(998.0, 298.15) * 1e6 == pytest.approx(889.7351, rel=1e-6)
