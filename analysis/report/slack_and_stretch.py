"""Slack of the drive from the way back of its cams: in crank degrees, in mm of chain or belt, and against last time.

Turned back, a cam stays until the slack has gone round to the other run: what it stays by is all the slack between it and
the crank. A turn of the crank draws its sprocket's teeth times the pitch through, so a degree is a 360th of that. What
the slack has grown by since last time is what chain, guides and sprockets have grown by together, the tensioner being in
the same state both times.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.base import Component, EntryError, Refusal, expand
from analysis.report.reading_off import Figure
from analysis.timing import cam_words

Grown = Literal["grown", "less", "as it was", "not known"]


@dataclass(frozen=True, slots=True)
class SlackSeen:
    """The slack that one lobe's way back showed, with its standard uncertainty, crank degrees."""

    slack_deg: float
    u_deg: float


@dataclass(frozen=True, slots=True)
class DriveLine:
    """Teeth of the crank's sprocket or pulley, pitch of chain or belt, and its whole length in links or teeth."""

    crank_teeth: int
    pitch_mm: float
    links: int | None = None

    @property
    def mm_a_degree(self) -> float:
        """What a crank degree draws through."""
        return self.crank_teeth * self.pitch_mm / 360.0


@dataclass(frozen=True, slots=True)
class CamSlack:
    """The slack of one cam's drive.

    Attributes
    ----------
    slack_mm
        Length of chain or belt; `None` without sprocket and pitch.
    change_deg, change_mm, longer_percent
        More than last time; the last in percent of the whole chain or belt. `None` where nothing is known of then.
    """

    cam: str
    slack_deg: Figure
    slack_mm: Figure | None
    change_deg: Figure | None
    change_mm: Figure | None
    longer_percent: Figure | None
    grown: Grown

    @property
    def sentence(self) -> str:
        """What a builder is told."""
        length = "" if self.slack_mm is None else f", {_told(self.slack_mm)} mm along it"
        now = f"{cam_words(self.cam).capitalize()}: slack {_told(self.slack_deg)} crank degrees{length}."
        if self.change_deg is None:
            return f"{now} Nothing is known of the last time."
        by = f"{abs(self.change_deg.value):.2f} ± {self.change_deg.u95:.2f} deg"
        told = {"grown": f"grown by {by}", "less": f"less by {by}"}.get(self.grown, f"as it was, within {by}")
        return f"{now} Since last time: {told}."


def drive_slack(
    now: Mapping[str, Sequence[SlackSeen]],
    then: Mapping[str, Sequence[SlackSeen]],
    line: DriveLine | None = None,
) -> tuple[CamSlack, ...]:
    """Tell the slack of every cam, now and against last time.

    Raises
    ------
    Refusal
        ``no_way_back`` where no cam was turned back.
    EntryError
        ``bad_drive`` for teeth, pitch or links that cannot be.

    Examples
    --------
    >>> one = drive_slack({"inlet": [SlackSeen(1.8, 0.05)]}, {}, DriveLine(20, 9.525))[0]
    >>> round(one.slack_mm.value, 4)  # 20 x 9.525 / 360 x 1.8
    0.9525
    """
    _refuse_what_cannot_be(line)
    seen = {cam: slacks for cam, slacks in now.items() if slacks}
    if not seen:
        raise Refusal(
            "no_way_back",
            "No cam was turned back, so nothing tells the slack. At the end of a lobe's measurement turn back "
            "until the gauge has moved, if the engine's maker allows it.",
        )
    return tuple(_cam(cam, slacks, then.get(cam, ()), line) for cam, slacks in seen.items())


def _cam(
    cam: str, slacks: Sequence[SlackSeen], then: Sequence[SlackSeen], line: DriveLine | None
) -> CamSlack:
    """Slack of one cam, and by how much it has grown since last time where that is known."""
    slack, u = _mean(slacks)
    slack_deg = _figure(slack, u)
    mm = None if line is None else _times(slack_deg, line.mm_a_degree)
    if not then:
        return CamSlack(cam, slack_deg, mm, None, None, None, "not known")
    before, u_before = _mean(then)
    change = _figure(slack - before, math.hypot(u, u_before))
    change_mm = None if line is None else _times(change, line.mm_a_degree)
    longer = None
    if line is not None and line.links is not None:
        longer = _times(change, 100.0 * line.mm_a_degree / (line.links * line.pitch_mm))
    grown: Grown = "as it was" if not change.told else "grown" if change.value > 0 else "less"
    return CamSlack(cam, slack_deg, mm, change, change_mm, longer, grown)


def _mean(slacks: Sequence[SlackSeen]) -> tuple[float, float]:
    """Weighted mean, its uncertainty widened where the lobes agree less than they claim (Birge)."""
    weights = [1.0 / max(one.u_deg, 1e-3) ** 2 for one in slacks]
    whole = math.fsum(weights)
    mean = math.fsum(weight * one.slack_deg for weight, one in zip(weights, slacks, strict=True)) / whole
    u = 1.0 / math.sqrt(whole)
    if len(slacks) > 1:
        away = math.fsum(
            weight * (one.slack_deg - mean) ** 2 for weight, one in zip(weights, slacks, strict=True)
        )
        u *= max(1.0, math.sqrt(away / (len(slacks) - 1)))
    return mean, u


def _figure(value: float, u: float) -> Figure:
    return Figure(value, expand([Component("slack", u)]).expanded)


def _times(figure: Figure, by: float) -> Figure:
    return Figure(figure.value * by, figure.u95 * by)


def _told(figure: Figure) -> str:
    return f"{figure.value:.2f} ± {figure.u95:.2f}"


def _refuse_what_cannot_be(line: DriveLine | None) -> None:
    if line is None:
        return
    if not 6 <= line.crank_teeth <= 200:
        raise EntryError(
            "bad_drive", f"{line.crank_teeth} teeth on the crank's sprocket cannot be; give 6 to 200."
        )
    if not (math.isfinite(line.pitch_mm) and 1.0 <= line.pitch_mm <= 60.0):
        raise EntryError("bad_drive", f"A pitch of {line.pitch_mm:g} mm cannot be; give 1 to 60 mm.")
    if line.links is not None and not 10 <= line.links <= 2000:
        raise EntryError("bad_drive", f"A chain or belt of {line.links} pitches cannot be; give 10 to 2000.")
