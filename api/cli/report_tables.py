"""Cam reports as a person reads them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from analysis.report import MM_PER_INCH, Against, AtLift, CamReport, Figure, Ramp
from api.cli.result_table import columns


def report_table(report: CamReport, inch: bool) -> Iterator[str]:
    """Give the lines of one lobe's report, lengths in mm or in inches."""
    tell = _Lengths(inch)
    yield f"  Full lift         {_degrees(report.full_lift_deg)}"
    yield f"  Peak lift         {tell.length(report.peak_lift_mm)}"
    yield f"  Area under curve  {tell.length(report.area_mm_deg)} deg"
    for name, rate in (
        ("Steepest opening", report.steepest_opening_mm_deg),
        ("Steepest closing", report.steepest_closing_mm_deg),
    ):
        if rate is not None:
            yield f"  {name}  {tell.length(rate)} a crank degree"
    for name, ramp in (("Opening ramp", report.opening_ramp), ("Closing ramp", report.closing_ramp)):
        yield f"  {name}      {_ramp(ramp, tell)}"
    yield f"  Base circle       {_base(report.base_circle_mm, tell)}"
    if report.nose_asymmetry_deg is not None:
        yield f"  Nose later than the flanks by {_degrees(report.nose_asymmetry_deg)}"
    yield from _lifts(report.at_inch_lifts if inch else report.at_lifts, tell)
    for warning in report.result.warnings:
        yield f"  Warning ({warning.code}): {warning.message}"


def wear_table(found: Sequence[tuple[str, Against]]) -> Iterator[str]:
    """Give the lines of a lobe held against others, the best fit first."""
    for name, one in found:
        yield f"  Against {name}"
        yield f"    Best phase        {_degrees(one.phase_deg)} later"
        yield f"    Left over         {one.rms_mm:.4f} mm rms over the lifted part"
        yield from (f"    {sentence}" for sentence in one.sentences)


class _Lengths:
    """Lengths, and lengths a degree, in one unit."""

    def __init__(self, inch: bool) -> None:
        self.scale, self.unit, self.places = (1.0 / MM_PER_INCH, "in", 5) if inch else (1.0, "mm", 4)

    def bare(self, figure: Figure) -> str:
        value, u95 = figure.value * self.scale, figure.u95 * self.scale
        return f"{value:.{self.places}f} ± {u95:.{self.places}f}"

    def length(self, figure: Figure) -> str:
        return f"{self.bare(figure)} {self.unit}"


def _degrees(figure: Figure) -> str:
    return f"{figure.value:.2f} ± {figure.u95:.2f} deg"


def _ramp(ramp: Ramp | None, tell: _Lengths) -> str:
    if ramp is None:
        return "none told apart from the flank"
    return f"{tell.length(ramp.height_mm)} high, {_degrees(ramp.length_deg)} long"


def _base(figure: Figure | None, tell: _Lengths) -> str:
    if figure is None:
        return "too little of it seen"
    if figure.value <= figure.u95:
        most = (figure.value + figure.u95) * tell.scale
        return f"runs out by nothing that is seen, {most:.{tell.places}f} {tell.unit} at most"
    return f"runs out by {tell.length(figure)}"


def _lifts(lifts: tuple[AtLift, ...], tell: _Lengths) -> Iterator[str]:
    head = ("lift", "opens", "±", "closes", "±", "duration", "±", "area", "opening rate", "closing rate")
    rows = [
        (
            f"{at.lift_mm * tell.scale:.3f} {tell.unit}",
            *(
                told
                for figure in (at.opens_deg, at.closes_deg, at.duration_deg)
                for told in (f"{figure.value:.2f}", f"{figure.u95:.2f}")
            ),
            *(tell.bare(figure) for figure in (at.area_mm_deg, at.opening_mm_deg, at.closing_mm_deg)),
        )
        for at in lifts
    ]
    yield from columns(head, rows)
