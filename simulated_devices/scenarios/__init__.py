"""Benches as text: scenario files, what they build, the bench file that goes with them."""

from simulated_devices.scenarios.bench_files import bench_file
from simulated_devices.scenarios.recorded_bench import RecordedBench
from simulated_devices.scenarios.scenario import Scenario, StepTable, load_scenario
from simulated_devices.scenarios.scenario_build import encoder_of, engine_of, gauge_of, manner_of, set_up

__all__ = [
    "RecordedBench",
    "Scenario",
    "StepTable",
    "bench_file",
    "encoder_of",
    "engine_of",
    "gauge_of",
    "load_scenario",
    "manner_of",
    "set_up",
]
