"""A result as a person reads it: the number, the table of readings, the budget, the warnings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from analysis.base import Contribution, LobeResult, Pass, TdcResult, Warn
from analysis.together import LobeFromTdc, TogetherResult


def result_table(result: TdcResult | LobeResult) -> Iterator[str]:
    """Give the lines of one result."""
    yield from _tdc(result) if isinstance(result, TdcResult) else _lobe(result)
    yield from _passes(result.passes)
    yield from _budget(result.budget, result.u95_deg)
    yield from _warnings(result.warnings)


def together_table(result: TogetherResult) -> Iterator[str]:
    """Give the lines of everything found in the same turns: what is wanted first, then how it was found."""
    yield f"  Overlap TDC       {result.overlap_tdc_deg:9.3f} deg   ± {result.tdc.u95_deg:.3f} deg (k = 2)"
    for one in result.lobes:
        yield _on_card(one)
    for between in result.separations:
        yield (
            f"  Separation        {between.cam_deg:9.3f} cam deg ± {between.u95_cam_deg:.3f} cam deg, "
            f"{between.exhaust} to {between.inlet}, whatever TDC is"
        )
    yield from _warnings(result.warnings)
    yield f"  Gauge {result.piston}, on the piston"
    yield from result_table(result.tdc)
    for one in result.lobes:
        yield f"  Gauge {one.gauge}, on an {one.valve} valve, from overlap TDC"
        yield from result_table(one.lobe)


def _on_card(one: LobeFromTdc) -> str:
    name, side = f"{one.valve.capitalize()} centre", "ATDC" if one.valve == "inlet" else "BTDC"
    apart = (
        f"; apart it would be ± {one.apart_u95_deg:.3f}" if one.apart_u95_deg > 1.1 * one.lobe.u95_deg else ""
    )
    return (
        f"  {name:<16}  {one.card_deg:9.3f} deg {side} ± {one.lobe.u95_deg:.3f} deg, gauge {one.gauge}{apart}"
    )


def columns(head: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    """Set rows under their heads, numbers to the right."""
    table = [list(head), *[list(row) for row in rows]]
    widths = [max(len(row[k]) for row in table) for k in range(len(head))]
    for row in table:
        yield "    " + "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _tdc(result: TdcResult) -> Iterator[str]:
    yield f"  True TDC          {result.centre_deg:9.3f} deg   ± {result.u95_deg:.3f} deg (k = 2)"
    yield f"  Lag of the gauge  {result.lag_s * 1e3:9.1f} ms    ± {2 * result.lag_u_s * 1e3:.1f} ms"
    yield f"  Retrace           {result.retrace_mm:9.4f} mm    ± {2 * result.retrace_u_mm:.4f} mm"
    yield f"  Readings stray    {result.residual_sd_mm:9.4f} mm    from the piston's motion (one sd)"
    if result.equal_readings:
        yield "  Equal readings, lag taken out"
        yield from columns(
            ("drop mm", "before deg", "after deg", "middle deg"),
            (
                (f"{p.drop_mm:.3f}", f"{p.before_deg:.2f}", f"{p.after_deg:.2f}", f"{p.midpoint_deg:.3f}")
                for p in result.equal_readings
            ),
        )


def _lobe(result: LobeResult) -> Iterator[str]:
    """The lines of a lobe alone."""
    drop = f"at {result.drop_mm:g} mm drop"
    yield f"  Lobe centre       {result.centre_deg:9.3f} deg   ± {result.u95_deg:.3f} deg (k = 2), {drop}"
    yield f"  Nose (peak lift)  {result.full_lift_deg:9.3f} deg   ± {2 * result.full_lift_u_deg:.3f} deg"
    yield f"  Peak lift         {result.peak_lift_mm:9.3f} mm    ± {2 * result.peak_lift_u_mm:.3f} mm"
    yield f"  Centre after nose {result.asymmetry_deg:+9.2f} deg"
    yield f"  Slack             {_or_dash(result.slack_deg, '9.2f')} deg" + (
        "" if result.slack_deg is not None else "   (no way back was turned)"
    )
    yield f"  Lag of the gauge  {result.lag_s * 1e3:9.1f} ms    ± {2 * result.lag_u_s * 1e3:.1f} ms"
    if result.events:
        yield "  Opening and closing"
        yield from columns(
            ("lift mm", "opens deg", "closes deg", "duration deg"),
            (
                (f"{e.lift_mm:.3f}", f"{e.opens_deg:.2f}", f"{e.closes_deg:.2f}", f"{e.duration_deg:.2f}")
                for e in result.events
            ),
        )
    if result.centres:
        yield "  Centre against drop"
        yield from columns(
            ("drop mm", "centre deg", "± deg"),
            ((f"{c.drop_mm:.3f}", f"{c.centre_deg:.3f}", f"{2 * c.u_deg:.3f}") for c in result.centres),
        )


def _passes(passes: Sequence[Pass]) -> Iterator[str]:
    if not passes:
        return
    yield "  Passes"
    yield from columns(
        ("from s", "to s", "way", "deg/s", "used", "centre deg", "± deg"),
        (
            (
                f"{p.start_s:.2f}",
                f"{p.end_s:.2f}",
                {1: "forward", -1: "back"}.get(p.direction, "both"),
                f"{p.speed_deg_s:.1f}",
                "yes" if p.used else "no",
                _or_dash(p.centre_deg, ".3f"),
                _or_dash(None if p.u_deg is None else 2 * p.u_deg, ".3f"),
            )
            for p in passes
        ),
    )


def _budget(budget: Sequence[Contribution], u95_deg: float) -> Iterator[str]:
    if not budget:
        return
    yield "  What the uncertainty is made of (standard uncertainties)"
    yield from (f"    {part.u_deg:8.4f}  {part.source}" for part in budget)
    yield f"    {u95_deg / 2:8.4f}  together; expanded (k = 2) {u95_deg:.4f}"


def _warnings(warnings: Sequence[Warn]) -> Iterator[str]:
    for warning in warnings:
        yield f"  Warning ({warning.code}): {warning.message}"


def _or_dash(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)
