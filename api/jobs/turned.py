"""One lobe from two stored measurements, the encoder turned round on the crank between them."""

from __future__ import annotations

from pydantic import BaseModel

from analysis.base import Contribution
from analysis.timing import SAME_LIFT_MM, EncoderTurned, FromTdc, encoder_turned, turned_between
from api.base import MisuseError, with_service_errors
from api.records import Measurement

BY_TDC_U_DEG = 1.0


class TurnedView(BaseModel):
    """A lobe with the encoder's error once a turn taken out; angles are crank degrees after true TDC.

    `odd_deg` is what the encoder added to the first measurement; `before_u95_deg` and `after_u95_deg` are what each
    measurement's interval is alone. `seen` is false where the readings tell no error.
    """

    measurement_id: int
    beside: int
    centre_deg: float
    u95_deg: float
    before_deg: float
    before_u95_deg: float
    after_deg: float
    after_u95_deg: float
    odd_deg: float
    odd_u95_deg: float
    turned_deg: float
    seen: bool
    sentence: str


@with_service_errors
def turned_view(first: Measurement, second: Measurement, turned_deg: float | None = None) -> TurnedView:
    """Take the encoder's error once a turn out of a lobe.

    Parameters
    ----------
    turned_deg
        By how much the encoder was turned; left out, as true TDC before and after tells.

    Raises
    ------
    MisuseError
        They are not two measured lobes of one valve, each from a true TDC of its own.
    PlainRefusal
        The encoder was not turned by about half a turn, or the two differ by more than an encoder can make of one lobe.
    """
    _refuse_unlike(first, second)
    by_deg, found = _found(first, second, turned_deg)
    before, after = first.result or {}, second.result or {}
    return TurnedView(
        measurement_id=first.id,
        beside=second.id,
        centre_deg=found.centre_deg,
        u95_deg=found.u95_deg,
        before_deg=before["centre_deg"],
        before_u95_deg=before["u95_deg"],
        after_deg=after["centre_deg"],
        after_u95_deg=after["u95_deg"],
        odd_deg=found.odd_deg,
        odd_u95_deg=found.odd_u95_deg,
        turned_deg=by_deg,
        seen=found.seen,
        sentence=found.sentence,
    )


def _found(first: Measurement, second: Measurement, turned_deg: float | None) -> tuple[float, EncoderTurned]:
    before, after = _from_tdc(first), _from_tdc(second)
    limit_deg = max(float(one.settings.get("encoder_error_deg") or 0.0) for one in (first, second))
    if turned_deg is not None:
        return turned_deg, encoder_turned(before, after, limit_deg=limit_deg, turned_deg=turned_deg)
    by_deg = turned_between(*(float(one.settings.get("tdc_deg") or 0.0) for one in (first, second)))
    return by_deg, encoder_turned(
        before, after, limit_deg=limit_deg, turned_deg=by_deg, turned_u_deg=BY_TDC_U_DEG
    )


def _from_tdc(measurement: Measurement) -> FromTdc:
    result, detail = measurement.result or {}, measurement.detail or {}
    budget = [Contribution(line["source"], line["u_deg"]) for line in detail.get("budget", [])]
    return FromTdc.of(result["centre_deg"], result["u95_deg"], budget)


def _refuse_unlike(first: Measurement, second: Measurement) -> None:
    if first.what != "lobe" or first.touches != second.touches or first.id == second.id:
        raise MisuseError(
            "not_the_same_lobe",
            "Give two measurements of one lobe: it alone shows what the encoder does to it.",
        )
    if not (first.result and second.result and first.result["u95_deg"] and second.result["u95_deg"]):
        raise MisuseError("no_number", "One of the two gave no number; measure that lobe again.")
    if abs(first.result["drop_mm"] - second.result["drop_mm"]) > SAME_LIFT_MM:
        raise MisuseError(
            "not_the_same_drop",
            "The two centres are told at unlike drops below full lift; measure both at the same.",
        )
