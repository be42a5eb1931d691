"""One lobe while its crank is still being turned: the number again and again, each in a few milliseconds.

What the fit of a moment ago knew is kept: the crank's motion as far as it has settled, the knots, the curve with
lag and noise. An update places all readings anew, the late ones among them, and makes a round or two of the same
Gauss-Newton steps that a whole fit makes many of; where the readings cover more of the lobe than before, the curve
is begun anew. By how much the last round still moved the centre is told as an uncertainty of its own, so a number
that has not settled is not told as sure.

Three of the four witnesses against a faulty trace take as long as a round each. Once all have been heard, each
update hears one of them again, in turn, and what one objects to stands until it is heard again: a fault shows four
updates later at most. Beside the two that take longest there is one round only.

A gauge that measures by a clock of its own is read at its ticks as soon as that clock is found. It is looked for as
readings grow by a share, so that hardly any update is held up by it; where the gauge's earlier traces have told how often
it measures, only near that.

The number that is kept is that of `analysis.lobe.find_lobe`, from the whole trace. Both warn for as long as play would
not show in the passes so far (`seen_once`, `agreement_unproven`); whoever shows a number says so.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.base import Floats, GaugeFacts, LobeResult, LobeSettings, Refusal, Streams
from analysis.curve import (
    CYCLE_DEG,
    TRUSTING_ROUNDS,
    FitState,
    ForwardReadings,
    LobeWork,
    SplineBasis,
    Survey,
    lag_weakly_determined,
    prior_lag_kept,
)
from analysis.lobe.changes import PassScatter
from analysis.lobe.faults import no_fault_of_the_drive, refuse_unlike_slack, refuse_unseen_sides
from analysis.lobe.find import (
    Ready,
    first_noise,
    known_with,
    lobe_lag_prior,
    make_ready,
    measured,
    slack_bound,
    slack_of,
    worth_admitting,
)
from analysis.lobe.follow_clock import Followed, FollowedClock
from analysis.lobe.passes import HandPasses
from analysis.lobe.play import SAFE_SLACK_DEG, find_engagement
from analysis.lobe.readings import forward_readings, wild_readings
from analysis.lobe.result import Measured, lobe_result
from analysis.lobe.slack import Slack
from analysis.lobe.verdicts import FitChecks, refuse_by_curve, refuse_by_hand, refuse_by_memory
from analysis.lobe.watch import refuse_stream_faults
from analysis.own_clock import Ticks
from analysis.readings import CheckedStreams, CrankFollower, check_streams, no_fault_of_the_bench

_STREAMS, _HAND, _MEMORY, _CURVE = "streams", "passes by hand", "memory of the residuals", "curve"
_SLACK = "slack"
_WITNESSES = (_STREAMS, _HAND, _MEMORY, _CURVE)
_FIRST_ROUNDS = 6
_MOST_ROUNDS = 2
_STILL = 0.1
_SAME_DEG = 4.5
_MOST_CELLS = 180


@dataclass(frozen=True, slots=True)
class _Kept:
    """The fit as the last update left it."""

    survey: Survey
    basis: SplineBasis
    state: FitState
    rounds: int


@dataclass(slots=True)
class _CheckCache:
    """What each witness said when it was heard last."""

    objections: dict[str, Refusal] = field(default_factory=dict)
    hand: HandPasses | None = None
    scatter: PassScatter | None = None

    def hear(self, name: str, witness: Callable[[], None]) -> None:
        """Hear one witness; what it objects to stands until it is heard again."""
        self.objections.pop(name, None)
        try:
            witness()
        except Refusal as refusal:
            self.objections[name] = refusal

    def refuse(self) -> None:
        """Raise what any of them objects to."""
        for refusal in self.objections.values():
            raise Refusal(refusal.code, refusal.message)


class LobeFollower:
    """Measures one lobe while its streams grow.

    Parameters
    ----------
    settings : LobeSettings
    gauge : GaugeFacts
        As for `find_lobe`.
    """

    def __init__(self, settings: LobeSettings, gauge: GaugeFacts) -> None:
        self._settings, self._gauge, self._prior = settings, gauge, lobe_lag_prior(gauge)
        self._crank = CrankFollower()
        self._clock = FollowedClock(gauge, self._prior)
        self._slack_deg = SAFE_SLACK_DEG
        self._slack: Slack | None = None
        self._kept: _Kept | None = None
        self._heard = _CheckCache()
        self._updates = 0

    def update(self, streams: Streams) -> LobeResult:
        """Measure the lobe from all that has come so far.

        Parameters
        ----------
        streams : Streams
            The readings of the last update and what came since.

        Raises
        ------
        Refusal
            As `find_lobe` does.
        """
        self._updates += 1
        checked = check_streams(streams, self._gauge, self._crank)
        with no_fault_of_the_bench(checked.waiting):
            return self._update(checked)

    def _update(self, arrived: CheckedStreams) -> LobeResult:
        """One round with what has arrived; the costly looks take turns, so that none holds an update up."""
        if self._kept is not None and self._clock.due(arrived):
            self._look_for_clock(arrived, self._kept)
        checked, prior = self._clock.as_known(arrived)
        wild = wild_readings(checked.streams.gauge_mm)
        if (self._kept is None or self._turn_of(_STREAMS)) and not self._clock.in_doubt:
            self._heard.hear(_STREAMS, lambda: refuse_stream_faults(checked, prior, wild))
            self._heard.refuse()
        ready = make_ready(checked, prior, wild, self._slack_deg)
        work, begun = self._work(ready)
        heavy = self._turn_of(_MEMORY) or self._turn_of(_CURVE)
        kept, moved = _rounds(work, begun, 1 if heavy else _MOST_ROUNDS)
        self._kept = kept
        # There is no time to see whether a lag that is told loosely would be found from elsewhere, too.
        told = prior_lag_kept(kept.state, prior) if lag_weakly_determined(kept.state, prior) else kept.state
        found = measured(ready, work.result(told, kept.rounds), self._slack)
        self._hear(found)
        with no_fault_of_the_drive(clock_unseen=self._clock.unseen):
            self._heard.refuse()
        assert self._heard.scatter is not None
        result = lobe_result(found, self._settings, self._gauge, self._heard.scatter, moved)
        self._prepare(ready, work, found)
        return result

    def _turn_of(self, name: str) -> bool:
        return _WITNESSES[self._updates % len(_WITNESSES)] == name

    def _look_for_clock(self, arrived: CheckedStreams, kept: _Kept) -> None:
        """Look for the gauge's clock beside the curve of a moment ago; where there is news of it, begin the curve anew."""
        wild = wild_readings(arrived.streams.gauge_mm)
        engaged = find_engagement(arrived.motion, self._slack_deg)
        time_s, value = forward_readings(arrived, engaged, self._prior, wild)

        def beside(curve: _Kept, ticks: Ticks | None) -> Followed:
            """The readings so far, fitted on from a curve that was kept."""
            readings = ForwardReadings(time_s, curve.survey.polarity * value)
            work = LobeWork(arrived.motion, curve.survey, curve.basis, readings, self._prior)
            return Followed(work, curve.state, ticks)

        known = self._clock.ticks
        if known is not None:
            found = beside(kept, known).clocks(known.period_s)
            self._clock.seen(found[0] if found else None, arrived)
            if not found:
                self._forget()
            return
        for likely in self._clock.likely(beside(kept, None)) if len(time_s) else []:
            with suppress(Refusal):
                curve = self._curve_by(arrived, likely)
                for found_by_it in beside(curve, likely).clocks(likely.period_s):
                    self._forget(curve)
                    self._clock.seen(found_by_it, arrived)
                    return
        self._clock.seen(None, arrived)

    def _curve_by(self, arrived: CheckedStreams, ticks: Ticks) -> _Kept:
        """The curve through the readings at the ticks of a clock."""
        checked, prior = arrived.as_measured(ticks), known_with(ticks, self._prior)
        wild = wild_readings(checked.streams.gauge_mm)
        return _rounds(*self._anew(make_ready(checked, prior, wild, self._slack_deg)), 1)[0]

    def _forget(self, kept: _Kept | None = None) -> None:
        """Go on with another curve, or begin one; what was said of the one before stands no longer."""
        self._kept, self._slack, self._heard = kept, None, _CheckCache()

    def _work(self, ready: Ready) -> tuple[LobeWork, _Kept]:
        """The fit to go on with: the one kept where the readings cover the same as before, else one begun anew."""
        motion, kept = ready.checked.motion, self._kept
        if kept is not None and _alike(kept.survey, ready.survey):
            return LobeWork(motion, kept.survey, kept.basis, ready.readings, ready.prior), kept
        work, begun = self._anew(ready)
        if kept is None:
            return work, begun
        basis = work.basis
        state = work.start(kept.state.noise, kept.state.lag_s)
        state = replace(state, bending=_bending(kept, ready.survey, basis, work.typical))
        return work, _Kept(ready.survey, basis, state, TRUSTING_ROUNDS + 1)

    def _anew(self, ready: Ready) -> tuple[LobeWork, _Kept]:
        """A fit of these readings that knows nothing yet."""
        motion, prior = ready.checked.motion, ready.prior
        phase = ready.survey.unrolled(motion.angle_deg(ready.readings.time_s - prior.lag_s))
        refuse_unseen_sides(phase, ready.readings.value_mm, self._settings.drop_mm)
        basis = ready.survey.basis(ready.blur_deg)
        work = LobeWork(motion, ready.survey, basis, ready.readings, prior)
        return work, _Kept(ready.survey, basis, work.start(first_noise(ready)), 0)

    def _hear(self, found: Measured) -> None:
        """Hear the witness whose turn it is; all before the first number."""
        heard = self._heard
        seen = FitChecks(
            found.checked.motion, found.readings, found.fit, found.shape, found.passes, found.prior
        )

        def by_hand() -> None:
            heard.hand = refuse_by_hand(seen)

        def by_memory() -> None:
            """Held against what the last look remembered, which needs the hand looked at first."""
            if heard.hand is not None:
                heard.scatter = refuse_by_memory(seen, heard.hand)

        witnesses = {
            _HAND: by_hand,
            _MEMORY: by_memory,
            _CURVE: lambda: refuse_by_curve(seen, self._settings),
        }
        first = heard.scatter is None
        for name, witness in witnesses.items():
            if first or self._turn_of(name):
                heard.hear(name, witness)

    def _prepare(self, ready: Ready, work: LobeWork, found: Measured) -> None:
        """Look at what need not be looked at every time: the slack, and whether the knots suffice."""
        if self._turn_of(_STREAMS):
            self._slack = slack_of(ready, found.fit)
            self._heard.hear(_SLACK, lambda: refuse_unlike_slack(self._slack))
            self._admit(ready)
        kept = self._kept
        if kept is None or not self._turn_of(_HAND) or kept.basis.cells > _MOST_CELLS:
            return
        finer = work.refined(kept.state)
        if finer is not None:
            self._kept = _Kept(kept.survey, finer[0].basis, finer[1], kept.rounds)

    def _admit(self, ready: Ready) -> None:
        bound = slack_bound(self._slack)
        if self._slack_deg < SAFE_SLACK_DEG or bound >= SAFE_SLACK_DEG:
            self._slack_deg = min(self._slack_deg, bound) if bound < SAFE_SLACK_DEG else SAFE_SLACK_DEG
            return
        more = make_ready(ready.checked, ready.prior, ready.wild, bound)
        if worth_admitting(more, ready):
            self._slack_deg = bound


def _alike(one: Survey, other: Survey) -> bool:
    """Whether a fit made for one look at the readings will do for another.

    Beyond an end at which the base circle was seen there is nothing to fit, however far the readings go on.
    """
    if (one.polarity, one.left_seen, one.right_seen) != (other.polarity, other.left_seen, other.right_seen):
        return False
    left, right = _ends(other, _apart(one, other))
    own_left, own_right = _ends(one, 0.0)
    return max(abs(left - own_left), abs(right - own_right)) < _SAME_DEG


def _apart(one: Survey, other: Survey) -> float:
    """How much later the other's cycle is cut."""
    return (other.start_deg - one.start_deg + 0.5 * CYCLE_DEG) % CYCLE_DEG - 0.5 * CYCLE_DEG


def _ends(survey: Survey, apart_deg: float) -> tuple[float, float]:
    """Ends of the lobe, or of what was seen of it."""
    left = survey.lobe_deg[0] if survey.left_seen else 0.0
    right = survey.lobe_deg[1] if survey.right_seen else survey.span_deg
    return left + apart_deg, right + apart_deg


def _bending(kept: _Kept, survey: Survey, basis: SplineBasis, typical: float) -> Floats:
    """The bending that was found, on other knots; what any lobe has where nothing was found."""
    own, new = kept.basis.knots_deg, basis.knots_deg + _apart(kept.survey, survey)
    middle, asked = 0.5 * (own[1:] + own[:-1]), 0.5 * (new[1:] + new[:-1])
    found = np.interp(asked, middle, np.log(kept.state.bending), np.log(typical), np.log(typical))
    return np.asarray(np.exp(found))


def _rounds(work: LobeWork, kept: _Kept, at_most: int) -> tuple[_Kept, Floats]:
    """Go on for a round, for more where that moved the curve; also by how much the last moved each unknown."""
    state, rounds = kept.state, kept.rounds
    most = max(rounds + at_most, _FIRST_ROUNDS)
    while True:
        before, state = state, work.round(state, trusting=rounds < TRUSTING_ROUNDS)
        rounds += 1
        base = [state.base - before.base] if work.has_base else []
        moved = np.concatenate([state.coefficients - before.coefficients, base, [state.lag_s - before.lag_s]])
        still = np.abs(moved) < _STILL * np.sqrt(np.diag(state.covariance))
        if rounds >= most or (rounds >= _FIRST_ROUNDS and bool(still.all())):
            return _Kept(kept.survey, kept.basis, state, rounds), moved
