"""What the two streams show before any fit: where the crank was, sweeps, lag, equal readings, faults of a trace."""

from analysis.readings.crank_follower import CrankFollower
from analysis.readings.crank_late import without_late_lines
from analysis.readings.crank_motion import CrankMotion, CrankNoise, follow_crank
from analysis.readings.crank_steps import refuse_slip
from analysis.readings.equal_pairs import equal_readings
from analysis.readings.gauge_steps import refuse_rest_changed, refuse_steps, unit_key, zero_key
from analysis.readings.held_up import no_fault_of_the_bench, was_held_up
from analysis.readings.lag import TYPICAL_LAG_S, TYPICAL_LAG_U_S, lag_prior
from analysis.readings.late_by_pace import ReadLate
from analysis.readings.sweeps import Sweep, find_sweeps
from analysis.readings.trace_faults import FEWEST_GAUGE, CheckedStreams, check_streams

__all__ = [
    "FEWEST_GAUGE",
    "TYPICAL_LAG_S",
    "TYPICAL_LAG_U_S",
    "CheckedStreams",
    "CrankFollower",
    "CrankMotion",
    "CrankNoise",
    "ReadLate",
    "Sweep",
    "check_streams",
    "equal_readings",
    "find_sweeps",
    "follow_crank",
    "lag_prior",
    "no_fault_of_the_bench",
    "refuse_rest_changed",
    "refuse_slip",
    "refuse_steps",
    "unit_key",
    "was_held_up",
    "without_late_lines",
    "zero_key",
]
