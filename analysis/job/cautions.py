"""What is minded where the work is done; the makers' figures come first."""

from __future__ import annotations

TURN_BY_HAND = "Plugs out, battery off. Turn by hand, at the crank only."
STOP_ON_RESISTANCE = (
    "Any resistance: stop and find out why. Do not lever: a valve may be standing on a piston."
)
KEEP_CLEAR = "Keep fingers and sleeves clear of belt, chain and gears."
FORWARD_ONLY = (
    "This engine must not be turned backwards: the chain or belt may jump. Past the number: go on forward "
    "two turns and come to it again."
)
CAM_ALONE = "A cam is turned on its own only with every piston well away from its top, best half-way down."
CHECK_PISTONS = "After any change, check valve to piston again."
TAKE_OUT = "Stop, bar, pins and gauges out, socket off the crank, before the starter is used."
MAKERS_FIRST = (
    "The engine maker's and the cam maker's figures come first. This is advice; a competent builder decides "
    "and signs."
)
CLEARANCE_FIRST = (
    "A wrong clearance shifts opening, closing and duration and changes lift; the centre hardly moves."
)
HOLD_THE_CAM = (
    "Hold the cam before its bolts are slackened: an open valve's spring will turn it. Keep the pulley from going "
    "with it: the drive's slack must stay taken up."
)
TORQUE_FIGURE = "Torque and locking as the engine maker says; tightening moves pulleys."
CRANK_STOP = "A positive stop is met gently, by hand, from both sides; never with the starter."

EVERLASTING = (TURN_BY_HAND, STOP_ON_RESISTANCE, KEEP_CLEAR, CHECK_PISTONS)
"""What holds all through a job: said once, before the crank is first turned, so that it is read."""
