"""What the builder does next where no job leads him: set a gauge, turn, read the number.

Pure, as all of the guide. No engine is known here: of a valve it cannot be told which one it is, so that is asked, once,
while it is measured or after; until somebody has said it, the number is called that of a valve.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

from analysis.job import TURNS_DEG
from analysis.timing import nearest
from analysis.touching import KnownZero, Touch
from api.base import Centre, Choice, Guide, Health, MeasurementView
from api.guide.following import LIKE, Wanted, question
from api.guide.guidance import Action, Guidance, Option, Watch
from api.guide.measuring import Enough, lobe_is_enough, tdc_is_enough
from api.live import coaching
from api.measure import ByItself

CAUTIONS = [
    "Plugs out, battery off. Turn by hand and at the crank only.",
    "Any resistance: stop, do not lever; a valve may be on a piston.",
]
WANTED_WITHOUT_A_JOB_DEG = 0.2
"""A quarter of the tolerance that a card usually gives, 0.8 to 1 crank degree; common practice, no source."""
WIDEST_TOLERANCE_DEG = 1.0
A_VALVE = "valve"
"""What a gauge touches of which only that much is told."""
PARTS = {
    "piston": "piston",
    "inlet": "inlet valve",
    "exhaust": "exhaust valve",
    A_VALVE: "a valve of cylinder",
}
SIDES = {"inlet": 1.0, "exhaust": -1.0}
"""A nose stands after overlap TDC, or before it."""
HOW = {
    "tdc": "Turn slowly over the top twice or more, a few millimetres either side; and back, if the maker allows it.",
    "lobe": "Turn steadily in the running direction for four full turns or more; then, if allowed, back until the gauge "
    "has moved.",
}
ENDS: dict[Enough, str] = {
    "": "",
    "far": "Far enough: back until the gauge has moved, if the maker allows it, then hold still.",
    "whole": "Enough: hold still, it ends by itself.",
}


@dataclass(frozen=True, slots=True)
class BenchContext:
    """Everything the guide outside a job is made from.

    Attributes
    ----------
    cylinder
        The one whose piston and valves the gauge goes on, as was said at the bench.
    tdc_deg
        Its true TDC in the encoder's degrees, if it was found with the zero that is counted from now.
    turned_deg
        Furthest forward since the running measurement began.
    """

    health: Health
    measurement: MeasurementView | None = None
    centre: Centre | None = None
    watch: Watch = field(default_factory=Watch)
    cylinder: str = "1"
    tdc_deg: float | None = None
    turned_deg: float | None = None

    @property
    def trouble(self) -> str:
        """What is wrong with the bench, empty when nothing is."""
        if not self.health.capture_alive or not self.health.channels:
            return self.health.sentence or "The bench is not read."
        silent = [channel for channel in self.health.channels if channel.state != "online"]
        return silent[0].told if silent else ""

    @property
    def running(self) -> bool:
        """Whether something is being measured."""
        return self.measurement is not None and self.measurement.state == "running"


# -- what begins, ends and is asked by itself


def bench_zero(context: BenchContext, touches: str = "piston") -> KnownZero:
    """Give what is known of TDC. It tells a piston of another cylinder; whose lobe one is it cannot tell here."""
    return KnownZero(tdc_deg=context.tdc_deg) if touches.startswith("piston") else KnownZero()


def bench_matching(context: BenchContext, touch: Touch) -> Wanted | None:
    """Give what a gauge measures: true TDC, or, where that is known, a lobe; `None` where it is not sure."""
    if touch.kind == "piston":
        return Wanted("", context.cylinder, None)
    if touch.kind == "valve" and context.tdc_deg is not None:
        return Wanted("", context.cylinder, None, a_valve=True)
    return None


def bench_question(context: BenchContext, touch: Touch, gauge: str, since_ns: int) -> Watch | None:
    """Ask, or say, what keeps it from beginning by itself; `None` where nothing has to be."""
    piston = Wanted("", context.cylinder, None)
    if touch.kind == "valve" and context.tdc_deg is None:
        first = f"This moves like a valve. Its centre is told from true TDC: the gauge on piston {context.cylinder} first."
        return Watch(context.watch.on, first)
    if touch.kind == "unclear":
        return Watch(context.watch.on, question(touch, piston), piston.part, gauge, since_ns)
    return None


def bench_doubt(view: MeasurementView, touch: Touch) -> str:
    """Ask about a running measurement whose gauge moves like something else; empty where it does not."""
    kinds = {"piston": "tdc", "valve": "lobe", "nothing": ""}
    if kinds.get(touch.kind, view.what) == view.what:
        return ""
    part, _, number = view.touches.partition("_")
    return f"{LIKE[touch.kind]} Gauge on {PARTS.get(part, part)} {number}?"


def bench_enough(context: BenchContext) -> Enough:
    """Tell whether the running measurement has enough, as in a job of the usual tolerance."""
    view, result = context.measurement, context.centre.result if context.centre is not None else None
    if view is None or result is None:
        return ""
    if view.what == "tdc":
        return tdc_is_enough(result, WANTED_WITHOUT_A_JOB_DEG)
    if (context.turned_deg or 0.0) < TURNS_DEG["lobe"]:
        return ""
    return lobe_is_enough(result, WIDEST_TOLERANCE_DEG, forward_only=False)


# -- what is said


def bench_guide(context: BenchContext) -> Guide:
    """Give the guide of this moment, as every screen is sent it; screens add the number themselves."""
    said = bench_guidance(context)
    press = f"/api/bench/press?token={bench_token(context)}"
    return Guide(
        step=_where(context.measurement),
        sentence=said.sentence,
        why=said.why,
        button=said.button if said.action is not None else "",
        action=press if said.action is not None else "",
        choices=[
            Choice(label=one.label, action=f"{press}&choice={place}")
            for place, one in enumerate(said.options, 1)
        ],
        hands_free=context.watch.on,
        cylinder=context.cylinder,
        cautions=CAUTIONS if context.measurement is None and not context.trouble else [],
    )


def bench_token(context: BenchContext) -> str:
    """Give what stands for this moment of the bench: another press, or another screen's, changes it."""
    view = context.measurement
    seen = None if view is None else (view.id, view.state, view.touches)
    return hashlib.sha256(repr((seen, context.watch.question)).encode()).hexdigest()[:12]


def bench_guidance(context: BenchContext) -> Guidance:
    """Give what is said at this moment, and what the buttons would do."""
    if context.running and context.measurement is not None:
        said = _while_measuring(context, context.measurement)
    elif context.trouble:
        return Guidance(context.trouble)
    else:
        said = _ended(context) if context.measurement is not None else Guidance(_to_begin(context))
    return _asking(context, said)


def _to_begin(context: BenchContext) -> str:
    if not context.watch.on:
        return "Say what the gauge touches, then start and turn the crank."
    if context.tdc_deg is None:
        return f"Set the gauge on piston {context.cylinder} and turn the crank over the top: it begins by itself."
    return f"Set the gauge on a valve of cylinder {context.cylinder}, or the piston, and turn: it begins by itself."


def _ended(context: BenchContext) -> Guidance:
    """Name what could not be told, take back what was not meant, or go on."""
    view = context.measurement
    assert view is not None
    if view.state == "discarded":
        return Guidance(_to_begin(context), view.sentence)
    refused = f"{view.sentence} " if view.state == "refused" else ""
    next_one = _to_begin(context) if context.watch.on else ""
    go_on = next_one or "Set the gauge where it goes next and say what it touches."
    # A finished number stands large beside this sentence, in the words each screen chose: not told twice.
    said = Guidance(f"{refused}{go_on}", _against_its_side(view))
    back = Option("Take the last number back", Action("Taken back.", take_back=True))
    options = (back,) if view.begun_by_itself and not refused else ()
    if refused or not view.touches.startswith(A_VALVE):
        return Guidance(said.sentence, said.why, options=options)
    likely, other = _by_side(view)
    why = (
        f"A nose {_side_words(view)} is usually the {PARTS[likely]}'s, but without a job no engine is known."
    )
    yes = _named(view, likely)
    return Guidance(
        "Which valve was it?",
        why,
        button=yes.label,
        action=yes.action,
        options=(_named(view, other), *options),
    )


def _named(view: MeasurementView, valve: str) -> Option:
    number = view.touches.partition("_")[2]
    action = Action(f"Kept as the {PARTS[valve]}'s.", name=f"{valve}_{number}")
    return Option(f"{PARTS[valve].capitalize()} {number.upper()}", action)


def _signed_deg(view: MeasurementView) -> float | None:
    """Where the nose stands from the nearest TDC, after it positive."""
    centre = (view.result or {}).get("centre_deg")
    return None if centre is None else nearest(centre, 360.0)


def _by_side(view: MeasurementView) -> tuple[str, str]:
    return ("inlet", "exhaust") if (_signed_deg(view) or 0.0) >= 0 else ("exhaust", "inlet")


def _side_words(view: MeasurementView) -> str:
    signed = _signed_deg(view) or 0.0
    return f"{abs(signed):.0f} deg {'after' if signed >= 0 else 'before'} TDC"


def _against_its_side(view: MeasurementView) -> str:
    """Say where a nose stands on the other side of TDC than noses of its valve do."""
    valve, _, number = view.touches.partition("_")
    side, signed = SIDES.get(valve), _signed_deg(view)
    if view.state != "finished" or side is None or signed is None or side * signed >= 0:
        return ""
    return (
        f"Noses of {valve} valves stand {'after' if side > 0 else 'before'} overlap TDC, and this one {_side_words(view)}: "
        f"the other valve, another cylinder, or true TDC of another piston than {number}."
    )


def _while_measuring(context: BenchContext, view: MeasurementView) -> Guidance:
    """Without a job there is no tolerance: what is wide is told by what is usual."""
    sentence, why = view.sentence or HOW[view.what], ""
    centre = context.centre
    if centre is not None and not view.sentence:
        result = centre.result
        wide = coaching(centre.outlook, WANTED_WITHOUT_A_JOB_DEG)
        why = wide if centre.error is None else centre.error["message"]
        tells = result is not None and result["u95_deg"] <= WIDEST_TOLERANCE_DEG
        if view.ends_by_itself:
            sentence = ENDS[bench_enough(context)] or sentence
        elif result is not None and tells and len([one for one in result["passes"] if one["used"]]) > 1:
            sentence = "Finish when the number has settled, or turn on."
    options: tuple[Option, ...] = ()
    if view.touches.startswith(A_VALVE):
        options = (_named(view, "inlet"), _named(view, "exhaust"))
    return Guidance(sentence, why or ("It began by itself." if view.begun_by_itself else ""), options=options)


def _asking(context: BenchContext, said: Guidance) -> Guidance:
    """Put what is asked above what is said, with its two buttons."""
    watch = context.watch
    if not watch.question:
        return said
    why = said.why or (said.sentence if context.running else "")
    if context.running:
        goes_on = Option("Yes, go on", Action("Going on.", dismiss=True))
        away = Option("No, throw it away", Action("Thrown away.", discard=True))
        return Guidance(watch.question, why, options=(goes_on, away))
    if not watch.part:
        return Guidance(watch.question, why, options=said.options)
    kind, _, cylinder = watch.part.partition("_")
    begin = Action("Begun.", begin=watch.part, by_itself=ByItself(watch.since_ns), gauge=watch.gauge)
    anew = Option("No, I set it anew", Action("The gauge is set anew.", dismiss=True))
    yes = f"Yes, on {PARTS[kind]} {cylinder.upper()}"
    return Guidance(watch.question, why, button=yes, action=begin, options=(anew,))


def _where(view: MeasurementView | None) -> str:
    if view is None or view.state == "discarded":
        return ""
    part, _, number = view.touches.partition("_")
    begun = ", begun by itself" if view.begun_by_itself else ""
    return f"Gauge on {PARTS.get(part, part)} {number.replace('_', ' ')}".rstrip() + begun
