"""From a scenario file to the engine, the instruments and where gauges stand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from simulated_devices.machine import (
    ArcProfile,
    Cam,
    Crown,
    DialIndicator,
    Encoder,
    Engine,
    Face,
    LawProfile,
    Lobe,
    LobeTruth,
    Manner,
    Mark,
    Motion,
    Mounting,
    PolynomialProfile,
    Profile,
    Ramp,
    RoundPart,
    SliderCrank,
    TangentProfile,
    Valve,
    ValveRoom,
    firing_offsets,
)
from simulated_devices.scenarios.scenario import CamTable, GaugeTable, LobeTable, PartTable, Scenario
from simulated_devices.traces import Setup

_MARGIN_MM = 2.0


def engine_of(scenario: Scenario) -> Engine:
    """The engine of a scenario, its pulleys where they stand at the start."""
    table = scenario.engine
    return Engine(
        SliderCrank(table.stroke_mm, table.rod_mm, table.pin_offset_mm),
        {
            cam.name: _cam(cam, _served(cam, firing_offsets(table.firing_order, table.firing_intervals_deg)))
            for cam in scenario.cam
        },
        table.firing_order,
        table.firing_intervals_deg,
        parts={name: _part(part) for name, part in table.part.items()},
        faces={name: Face(**face.model_dump()) for name, face in table.face.items()},
        mark=None if table.mark is None else Mark(**table.mark.model_dump()),
        end_float_mm=table.end_float_mm,
        crowns={one.cylinder: Crown(one.deck_mm, one.leans_mm) for one in table.crown},
        rooms={kind: ValveRoom(room.at_tdc_mm, room.stem_deg) for kind, room in table.room.items()},
    )


def _part(table: PartTable) -> RoundPart:
    # Highest less lowest of an oval is twice the height of its wave.
    oval = ((2, table.oval_mm / 2.0, table.oval_towards_deg),) if table.oval_mm else ()
    return RoundPart(table.radius_mm, oval, table.off_axis_mm, table.off_towards_deg)


def _served(table: CamTable, overlap_tdc_deg: Mapping[int, float]) -> Mapping[int, float]:
    """The cylinders of a cam among all."""
    return {one: at for one, at in overlap_tdc_deg.items() if one in table.cylinders or not table.cylinders}


def _cam(table: CamTable, overlap_tdc_deg: Mapping[int, float]) -> Cam:
    valves = {}
    for lobe in table.lobe:
        for cylinder, shift_deg in sorted(overlap_tdc_deg.items()):
            valves[f"{lobe.valve}_{cylinder}"] = _valve(lobe, cylinder, shift_deg)
    return Cam(valves, table.slack_deg, table.late_deg)


def _valve(table: LobeTable, cylinder: int, shift_deg: float) -> Valve:
    own = next((one for one in table.cylinder if one.number == cylinder), None)
    # A ramp is told in crank degrees and kept in cam degrees.
    ramp = Ramp(table.ramp_deg / 2.0, 0.75 * table.ramp_deg / 2.0)
    lobe = Lobe(_profile(table), table.ramp_mm, ramp, ramp, own.worn_mm if own else 0.0)
    clearance = table.clearance_mm if own is None or own.clearance_mm is None else own.clearance_mm
    at_zero = Valve(lobe, 0.0, clearance, table.rocker_ratio, table.rocker_drift)
    off_nose = LobeTruth(at_zero, 0.0, 0.0).centre_deg(table.drop_mm)
    nose = table.centre_deg - off_nose + shift_deg + (own.late_deg if own else 0.0)
    return replace(at_zero, nose_deg=nose % 720.0)


def _profile(table: LobeTable) -> Profile:
    lift, opening, closing = table.lift_mm - table.ramp_mm, table.opening_deg / 2.0, table.closing_deg / 2.0
    if table.family == "polynomial":
        return PolynomialProfile(lift, opening, closing)
    if table.family == "arc":
        return ArcProfile(lift, opening, closing, nose_throw_mm=2.6 * lift)
    if table.family == "tangent":
        return TangentProfile(lift, opening, closing)
    return LawProfile(lift, opening, closing, table.opening_law, table.closing_law, table.flat_deg / 2.0)


def encoder_of(scenario: Scenario) -> Encoder:
    """The counter of a scenario."""
    table = scenario.encoder
    return Encoder(
        table.counts_per_turn,
        table.rate_hz,
        table.zero_deg,
        table.direction,
        table.index_deg,
        table.frame == "count_micros",
        table.clock_ppm,
    )


def gauge_of(table: GaugeTable) -> DialIndicator:
    """One indicator of a scenario."""
    return DialIndicator(
        step=table.step,
        unit=table.unit,
        rate_hz=table.rate_hz,
        lag_s=table.lag_s,
        jitter_s=table.jitter_s,
        travel_mm=table.travel_mm,
        angle_deg=table.angle_deg,
        seat=table.seat,
        polarity=table.polarity,
        noise_mm=table.noise_mm,
        zero_mm=table.zero_mm,
        asked=bool(table.request),
    )


def set_up(gauge: DialIndicator, onto: str, engine: Engine) -> Mounting:
    """Set a gauge up as a builder does: nearly pushed in by a piston at its top, or over a retainer."""
    if onto.startswith("piston_"):
        return Mounting(gauge, onto, gauge.travel_mm - _MARGIN_MM)
    if onto.startswith(("face_", "crown_")):  # one stand, swung from the face to the crown
        return Mounting(gauge, onto, 0.75 * gauge.travel_mm)
    if onto not in engine.cam_of:
        return Mounting(gauge, onto, min(_MARGIN_MM, 0.5 * gauge.travel_mm))
    lift = engine.truth_of(onto).peak_lift_mm * gauge.gain
    return Mounting(gauge, onto, min(lift + _MARGIN_MM, gauge.travel_mm - 0.2), opposed=True)


def manner_of(scenario: Scenario) -> Manner:
    """How the hand of a scenario turns."""
    hand = scenario.hand
    return Manner(hand.speed_deg_s, hand.wander, hand.ease_s)


def setup_of(scenario: Scenario, motion: Motion, onto: Mapping[str, str] | None = None) -> Setup:
    """A setup for `simulated_devices.offline.record`: the scenario's bench over a course of the crank.

    Parameters
    ----------
    onto : mapping of str to str, optional
        Where gauges stand, by name; those not named stand where the scenario puts them.
    """
    engine = engine_of(scenario)
    places = {gauge.name: gauge.onto for gauge in scenario.gauge} | dict(onto or {})
    mountings = {gauge.name: set_up(gauge_of(gauge), places[gauge.name], engine) for gauge in scenario.gauge}
    return Setup(engine, motion, encoder_of(scenario), mountings)
