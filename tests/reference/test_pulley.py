"""Shifts at a bolt circle against published coordinates and against the circle itself."""

from __future__ import annotations

from math import cos, hypot, pi, radians, sin

import pytest

from analysis.moving.correction import arc_mm, chord_mm

# Machinery's Handbook, 31st ed., p. 711, Ex. 3(a): bolt circle of diameter 10 about (7.5, 6), holes at 30,
# 90 and 150 degrees.
CENTRE, RADIUS = (7.5, 6.0), 5.0
HOLES = {30: (11.8301, 8.5), 90: (7.5, 11.0), 150: (3.1699, 8.5)}


def between(a, b):
    return hypot(a[0] - b[0], a[1] - b[1])


@pytest.mark.parametrize(("first", "second"), [(30, 90), (90, 150), (30, 150)])
def test_a_chord_is_the_distance_of_the_published_holes(first, second):
    """A cam turned from one hole to the next has a crank error of twice their angle."""
    assert chord_mm(RADIUS, 2 * (second - first)) == pytest.approx(
        between(HOLES[first], HOLES[second]), abs=1e-4
    )


@pytest.mark.parametrize("angle", sorted(HOLES))
def test_the_published_holes_lie_on_the_circle_used_here(angle):
    x, y = CENTRE[0] + RADIUS * cos(radians(angle)), CENTRE[1] + RADIUS * sin(radians(angle))
    assert HOLES[angle] == pytest.approx((x, y), abs=5e-5)


def test_the_arc_of_a_whole_turn_of_the_cam_is_the_circumference():
    assert arc_mm(RADIUS, 720) == pytest.approx(2 * pi * RADIUS)


@pytest.mark.parametrize("error", [0.5, 10.0, 40.0])
def test_arc_and_chord_are_the_stated_shifts(error):
    """Arc R (e/2) pi/180, chord 2 R sin(e/4), for a crank error e: checked against many short chords."""
    pieces = 4096
    assert arc_mm(30.0, error) == pytest.approx(pieces * chord_mm(30.0, error / pieces), rel=1e-9)
    assert chord_mm(30.0, error) < arc_mm(30.0, error)
