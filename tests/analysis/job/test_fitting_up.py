"""What is fitted up before the crank is turned: each line only where the engine has it; common practice, no source."""

from __future__ import annotations

from dataclasses import replace

from trade_jobs import engine_of

from analysis.job import fitting_up


def words_of(**said: object) -> str:
    return " ".join(fitting_up(replace(engine_of("1", "2"), **said)))  # type: ignore[arg-type]


def test_a_solid_pushrod_engine_with_gears_has_no_hydraulics_caps_tensioner_or_belt():
    words = words_of(followers="solid", cams_in="block", drive="gears").lower()
    assert not any(word in words for word in ("hydraulic", "caps", "tensioner", "belt", "pinned", "if "))


def test_a_twin_cam_with_belt_hydraulics_and_moving_adjusters_has_every_line():
    words = words_of(followers="hydraulic", cams_in="head", drive="belt", variable_timing=True)
    assert all(word in words for word in ("olid followers", "caps", "Tensioner", "other cams", "pinned"))
    assert "if " not in words


def test_what_nobody_has_said_is_asked_with_if():
    assert [line for line in fitting_up(engine_of("1")) if "if " in line] == [
        line for line in fitting_up(engine_of("1")) if any(w in line for w in ("Solid", "caps", "Tensioner"))
    ]
