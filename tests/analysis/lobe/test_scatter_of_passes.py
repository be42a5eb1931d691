"""Passes that a wandering lag sets apart are not passes that disagree; arithmetic by hand."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.lobe.passes import PassFit, scatter_of_passes

SPEED_DEG_S = 40.0


def a_pass(shift_deg: float, through: float, u_deg: float = 0.01) -> PassFit:
    rows = np.zeros(0, dtype=np.intp)
    return PassFit(0.0, 1.0, SPEED_DEG_S, shift_deg, u_deg, 0.0, rows, through * SPEED_DEG_S)


def test_a_lag_that_grows_by_2_ms_explains_what_it_would_do_at_40_degrees_a_second():
    """0.002 s at 40 deg/s is 0.08 degrees; half of it either side of the middle at the middles of two passes."""
    passes = (a_pass(-0.04, -0.5), a_pass(0.04, 0.5))
    assert scatter_of_passes(passes, 0.002).between_u_deg == 0.0
    assert scatter_of_passes(passes, 0.0).between_u_deg > 0.03


def test_what_no_wandering_lag_does_stays():
    """The middle pass stands apart, which no lag that grows evenly does; with and without one it is told alike."""
    passes = (a_pass(-0.04, -0.7), a_pass(0.08, 0.0), a_pass(-0.04, 0.7))
    with_it, without = (scatter_of_passes(passes, wander).between_u_deg for wander in (0.002, 0.0))
    assert without > 0.03
    assert with_it == pytest.approx(without, rel=1e-6)


def test_a_pass_late_in_the_trace_is_moved_by_the_wander_and_says_so():
    assert scatter_of_passes((a_pass(0.0, 0.2), a_pass(0.0, 0.8)), 0.002).wander_u_deg == pytest.approx(0.04)
    assert scatter_of_passes((a_pass(0.0, -0.5), a_pass(0.0, 0.5)), 0.002).wander_u_deg == pytest.approx(0.0)
