"""What the builder does next where no job leads him: one sentence out of the state of the bench."""

from __future__ import annotations

from api.base import Centre, Guide, Health, MeasurementView
from api.live.coach import coaching

CAUTIONS = [
    "Plugs out, battery off. Turn by hand and at the crank only.",
    "Any resistance: stop, do not lever; a valve may be on a piston.",
]
WANTED_WITHOUT_A_JOB_DEG = 0.2
"""A quarter of the tolerance that a card usually gives, 0.8 to 1 crank degree; common practice, no source."""
WIDEST_TOLERANCE_DEG = 1.0
PARTS = {"piston": "piston", "inlet": "inlet valve", "exhaust": "exhaust valve"}


def plain_guide(health: Health, measurement: MeasurementView | None, centre: Centre | None) -> Guide:
    """Say what to do now; screens add the number themselves."""
    if not health.capture_alive or (health.sentence and not health.channels):
        return Guide(sentence=health.sentence)
    if measurement is not None and measurement.state == "running":
        return _while_measuring(measurement, centre)
    silent = [channel for channel in health.channels if channel.state != "online"]
    if silent:
        return Guide(sentence=silent[0].sentence)
    if measurement is not None and measurement.state in {"finished", "refused"}:
        # A finished number stands large beside this sentence, in the words each screen chose: not told twice.
        refused = f"{measurement.sentence} " if measurement.state == "refused" else ""
        return Guide(
            step=_where(measurement),
            sentence=f"{refused}Set the gauge where it goes next and say what it touches.",
        )
    return Guide(sentence="Say what the gauge touches, then start and turn the crank.", cautions=CAUTIONS)


HOW = {
    "tdc": "Turn slowly over the top twice or more, a few millimetres either side; and back, if the maker allows it.",
    "lobe": "Turn steadily in the running direction for four full turns or more; then a little way back, if allowed.",
}


def _while_measuring(measurement: MeasurementView, centre: Centre | None) -> Guide:
    sentence, why = measurement.sentence or HOW[measurement.what], ""
    if centre is not None and not measurement.sentence:
        result = centre.result
        wide = coaching(centre.outlook, WANTED_WITHOUT_A_JOB_DEG)
        why = wide if centre.error is None else centre.error["message"]
        tells = result is not None and result["u95_deg"] <= WIDEST_TOLERANCE_DEG
        if result is not None and tells and len([one for one in result["passes"] if one["used"]]) > 1:
            sentence = "Finish when the number has settled, or turn on."
    return Guide(step=_where(measurement), sentence=sentence, why=why)


def _where(measurement: MeasurementView) -> str:
    part, _, number = measurement.touches.partition("_")
    return f"Gauge on {PARTS.get(part, part)} {number.replace('_', ' ')}".rstrip()
