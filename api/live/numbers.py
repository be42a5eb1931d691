"""The live numbers for whatever else in the house wants them: a wall display, a logger. Nobody's name, no customer's."""

from __future__ import annotations

from pydantic import BaseModel

from api.base import Centre, Guide, Health, Latest, MeasurementView

ONLINE = "online"


class BenchNow(BaseModel):
    """Is the bench reading: one sentence, and the state of each channel; `reading` is false where a number may be old."""

    reading: bool
    sentence: str
    channels: dict[str, str]


class NumberNow(BaseModel):
    """The one number that the bench page shows large, as the page says it; `null` where there is none.

    `interval` is its expanded uncertainty (k = 2), the half that stands behind ±. `settling`: the measurement still runs.
    """

    label: str
    number: float | None
    interval: float | None
    unit: str
    settling: bool
    verdict: str


class ToGo(BaseModel):
    """What is still to go, as the guide has it; `null` where nothing is.

    `deg` is of the crank, positive in the running direction; `mm` of the gauge; `cam_deg` of a cam that is being moved,
    without a sign, and `too_far` says that it was crossed.
    """

    deg: float | None
    mm: float | None
    cam_deg: float | None
    too_far: bool
    tone: str


class ReadingNow(BaseModel):
    """The newest reading of one channel: mm, or encoder degrees; `at_ms` is when it was read, by this machine's clock."""

    value: float
    unit: str
    at_ms: float


class LiveNumbers(BaseModel):
    """Everything of this moment; each part is one topic on the house's broker, where the bench file names one."""

    bench: BenchNow
    number: NumberNow
    to_go: ToGo
    readings: dict[str, ReadingNow]


def live_numbers(
    health: Health,
    guide: Guide,
    measurement: MeasurementView | None,
    centre: Centre | None,
    latest: dict[str, Latest],
) -> LiveNumbers:
    """Compose what is told of this moment, of what a screen that opens now is told."""
    units = {one.name: "deg" if one.quantity == "crank" else "mm" for one in health.channels}
    states = {one.name: one.state for one in health.channels}
    return LiveNumbers(
        bench=BenchNow(
            reading=health.capture_alive and all(state == ONLINE for state in states.values()),
            sentence=health.sentence,
            channels=states,
        ),
        number=_number(guide, measurement, centre),
        to_go=ToGo(
            deg=guide.to_go_deg,
            mm=guide.to_go_mm,
            cam_deg=guide.move.to_go_cam_deg if guide.move else None,
            too_far=bool(guide.move and guide.move.too_far),
            tone=guide.tone,
        ),
        readings={
            name: ReadingNow(value=one.value, unit=units[name], at_ms=one.wall_ms)
            for name, one in latest.items()
            if name in units
        },
    )


def _number(guide: Guide, measurement: MeasurementView | None, centre: Centre | None) -> NumberNow:
    """As `theNumber` of the pages: the guide's own, else the measurement's, settling or settled."""
    settling = measurement is not None and measurement.state == "running"
    if guide.number is not None:
        return NumberNow(
            label=guide.label,
            number=guide.number,
            interval=guide.interval,
            unit=guide.unit,
            settling=settling,
            verdict=guide.verdict,
        )
    result = centre.result if centre is not None else None
    if guide.was or measurement is None or result is None:
        return NumberNow(
            label=guide.was, number=None, interval=None, unit="", settling=settling, verdict=guide.verdict
        )
    return NumberNow(
        label=measurement.touches.replace("_", " "),
        number=result.get("centre_deg"),
        interval=result.get("u95_deg"),
        unit="deg",
        settling=settling,
        verdict=guide.verdict,
    )
