"""What is remembered of the devices behind the ports, and when a person has to say."""

from __future__ import annotations

from capture.port import KnownDevices

INLET, PLUNGER = "node:34816:1", "node:34817:2"


def swapped() -> KnownDevices:
    return KnownDevices({"inlet": INLET, "plunger": PLUNGER})


def test_a_device_that_was_another_channels_waits_for_a_person() -> None:
    devices = swapped()
    assert "inlet" in devices.judge("inlet", PLUNGER)
    assert devices.known() == {"inlet": INLET, "plunger": PLUNGER}


def test_accepting_one_half_of_a_swap_leaves_the_other_half_waiting() -> None:
    devices = swapped()
    devices.accept("inlet", PLUNGER)
    assert devices.judge("inlet", PLUNGER) == ""
    assert "accept" in devices.judge("plunger", INLET)
    devices.accept("plunger", INLET)
    assert devices.judge("plunger", INLET) == ""
    assert devices.known() == {"inlet": PLUNGER, "plunger": INLET}


def test_putting_the_cables_back_needs_nobody() -> None:
    devices = swapped()
    assert devices.judge("inlet", PLUNGER)
    assert devices.judge("inlet", INLET) == ""
    assert devices.judge("plunger", PLUNGER) == ""


def test_a_replugged_device_that_nobody_else_had_is_taken_up() -> None:
    devices = swapped()
    assert devices.judge("inlet", "node:34820:9") == ""
    assert devices.known()["inlet"] == "node:34820:9"
