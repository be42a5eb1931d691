"""How far the base circle runs out, from the readings that rest on it."""

from __future__ import annotations

import numpy as np

from analysis.base import Component, expand
from analysis.curve import LobeFit
from analysis.report.reading_off import Figure

_FEWEST = 12
_LEAST_ARC_DEG = 120.0
_BINS = 36


def base_circle_runout(fit: LobeFit) -> Figure | None:
    """Tell how far the reading goes up and down over the part of the base circle that was seen.

    A base circle off its axis, or a bent shaft, moves the follower as a wave once a turn of the cam. It is fitted to
    the readings beyond the lobe's window, and told as its highest less its lowest place on that arc.

    Returns
    -------
    Figure or None
        Millimetres; `None` where too little of the base circle was seen.
    """
    placed, basis = fit.placed, fit.basis
    phase = placed.phase_deg
    on_base = placed.known & ((phase < basis.first_deg) | (phase > basis.last_deg))
    # Cut where the lobe is, so that the arc is of one piece.
    after = np.mod(phase[on_base] - basis.last_deg, 720.0)
    value = placed.residual_mm[on_base]
    if after.size < _FEWEST or np.ptp(after) < _LEAST_ARC_DEG:
        return None
    cam = np.radians(after / 2.0)
    design = np.column_stack([np.ones_like(cam), np.cos(cam), np.sin(cam)])
    inverse = np.linalg.inv(design.T @ design)
    wave = inverse @ design.T @ value
    left = value - design @ wave
    freedom = max(after.size - 3, 1)
    noise2 = float(left @ left) / freedom
    arc = np.linspace(float(after.min()), float(after.max()), 181) / 2.0
    rows = np.column_stack([np.zeros_like(arc), np.cos(np.radians(arc)), np.sin(np.radians(arc))])
    shown = rows @ wave
    row = rows[int(np.argmax(shown))] - rows[int(np.argmin(shown))]
    # Readings that repeat the same rounded digit are no news of their own: at most one a bin counts.
    crowd = max(after.size / _BINS, 1.0)
    parts = [
        Component("scatter", float(np.sqrt(noise2 * crowd * (row @ inverse @ row))), freedom),
        Component("gauge step", fit.noise.step_mm / np.sqrt(12.0)),
    ]
    return Figure(float(np.ptp(shown)), expand(parts).expanded)
