"""Frozen results of the estimators: every number with its unit, its method and its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field

from analysis.base.errors import Warn
from analysis.base.streams import Floats


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget: a source and what it adds, as a standard uncertainty in degrees."""

    source: str
    u_deg: float


@dataclass(frozen=True, slots=True)
class Pass:
    """One sweep of the plunger through the dwell, in one direction.

    `centre_deg` is this pass alone with the joint lag; `None` where it cannot stand alone.
    """

    start_s: float
    end_s: float
    direction: int
    speed_deg_s: float
    used: bool
    centre_deg: float | None
    u_deg: float | None
    peak_mm: float | None = None


@dataclass(frozen=True, slots=True)
class EqualReadings:
    """A pair of equal readings, as a builder would have taken it, lag already removed."""

    drop_mm: float
    before_deg: float
    after_deg: float
    midpoint_deg: float


@dataclass(frozen=True, slots=True)
class LiftEvents:
    """Opening, closing and duration at one check lift, crank degrees."""

    lift_mm: float
    opens_deg: float
    closes_deg: float
    duration_deg: float
    u_opens_deg: float | None = None
    u_closes_deg: float | None = None


@dataclass(frozen=True, slots=True)
class CentreAtDrop:
    """Middle of the equal-lift pair at one drop below full lift."""

    drop_mm: float
    centre_deg: float
    u_deg: float


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted curve for drawing and for further computing, with its standard uncertainty."""

    crank_deg: Floats
    lift_mm: Floats
    u_mm: Floats


@dataclass(frozen=True, slots=True)
class TdcResult:
    """True TDC of one piston.

    Angles are crank degrees of the trace, wrapped to 0..360. `u95_deg` is expanded, k = 2. `centre_by_lag_deg_s`
    is how the centre follows the lag: what the covariance of the two makes of one second more. `retrace_mm` is what the
    gauge reads less with its plunger going in than coming out; `jitter_s` how far single readings come early or late;
    `tick_s` how often it measures, where it does so by a clock of its own.
    """

    centre_deg: float
    u95_deg: float
    lag_s: float
    lag_u_s: float
    gain: float
    rod_ratio: float
    residual_sd_mm: float
    passes: tuple[Pass, ...]
    equal_readings: tuple[EqualReadings, ...]
    warnings: tuple[Warn, ...]
    budget: tuple[Contribution, ...]
    curve: Curve | None = None
    polarity: int = 1
    centre_by_lag_deg_s: float = 0.0
    retrace_mm: float = 0.0
    retrace_u_mm: float = 0.0
    jitter_s: float = 0.0
    tick_s: float | None = None


@dataclass(frozen=True, slots=True)
class LobeResult:
    """One lobe: where it stands, how high, how wide.

    Angles are crank degrees of the trace less the given TDC, wrapped to 0..720. `u95_deg` belongs to
    `centre_deg` (the middle of the equal-lift pair at `drop_mm` below full lift) and is expanded, k = 2.
    `centre_by_lag_deg_s` is how that centre follows the lag.
    """

    centre_deg: float
    drop_mm: float
    u95_deg: float
    full_lift_deg: float
    full_lift_u_deg: float
    peak_lift_mm: float
    peak_lift_u_mm: float
    slack_deg: float | None
    slack_u_deg: float | None
    lag_s: float
    lag_u_s: float
    asymmetry_deg: float
    residual_sd_mm: float
    events: tuple[LiftEvents, ...]
    centres: tuple[CentreAtDrop, ...]
    equal_readings: tuple[EqualReadings, ...]
    passes: tuple[Pass, ...]
    warnings: tuple[Warn, ...]
    budget: tuple[Contribution, ...]
    curve: Curve | None = None
    polarity: int = 1
    max_slope_mm_deg: float | None = None
    base_mm: float | None = None
    centre_by_lag_deg_s: float = 0.0


@dataclass(frozen=True, slots=True)
class TdcSettings:
    """What the job knows of the engine when true TDC is sought; `None` is unknown.

    Attributes
    ----------
    pin_offset_mm
        Positive to the (major) thrust side of the crank's axis.
    pin_side_known
        False where only the size of the offset is known, not its side.
    encoder_error_deg
        The encoder's limit of error over its turn; 0 where it is not to be counted.
    """

    stroke_mm: float | None = None
    rod_mm: float | None = None
    pin_offset_mm: float | None = None
    pin_side_known: bool = True
    encoder_error_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class LobeSettings:
    """What is asked of a lobe.

    Attributes
    ----------
    tdc_deg, tdc_u_deg
        True TDC in the trace's crank degrees and its standard uncertainty.
    drop_mm
        Drop below full lift at which `centre_deg` is told; more drops go to `drops_mm`.
    check_lifts_mm
        Lifts above the base circle at which opening, closing and duration are told.
    encoder_error_deg
        The encoder's limit of error over its turn; 0 where it is not to be counted.
    encoder_supposed
        Whether nobody stated that limit, and the usual one was taken.
    forward_only
        The engine must not be turned back: nothing asks for that.
    """

    tdc_deg: float = 0.0
    tdc_u_deg: float = 0.0
    drop_mm: float = 1.27
    drops_mm: tuple[float, ...] = (0.25, 0.5, 0.75, 1.0, 1.27, 2.0)
    check_lifts_mm: tuple[float, ...] = field(default=(0.1, 0.3, 1.0, 1.27))
    encoder_error_deg: float = 0.0
    encoder_supposed: bool = False
    forward_only: bool = False
