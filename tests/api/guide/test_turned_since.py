"""How far the crank was turned counts from the instant a measurement began, however late that instant is heard of."""

from __future__ import annotations

from api.guide.guidance import TakeUp

SECOND_NS = 1_000_000_000
A_TURN_A_SECOND = [(t * SECOND_NS // 10, 36.0 * t) for t in range(40)]


def heard(upto: int) -> TakeUp:
    hand = TakeUp()
    for t_ns, crank_deg in A_TURN_A_SECOND[:upto]:
        hand.take(t_ns, crank_deg)
    return hand


def test_readings_heard_after_a_measurement_began_but_told_before_it_are_not_counted() -> None:
    hand = heard(10)
    hand.count_since(2 * SECOND_NS, A_TURN_A_SECOND[9:10])
    for t_ns, crank_deg in A_TURN_A_SECOND[10:31]:
        hand.take(t_ns, crank_deg)
    assert hand.turned_deg == 360.0


def test_what_was_turned_before_anyone_knew_that_it_is_measured_counts() -> None:
    hand = heard(31)
    hand.count_since(1 * SECOND_NS, A_TURN_A_SECOND[9:31])
    assert hand.turned_deg == 720.0


def test_only_the_furthest_forward_counts() -> None:
    hand = heard(11)
    hand.count_since(1 * SECOND_NS, A_TURN_A_SECOND[10:11])
    for t_ns, crank_deg in ((11, 400.0), (12, 300.0), (13, 380.0)):
        hand.take(t_ns * SECOND_NS // 10, crank_deg)
    assert hand.turned_deg == 40.0
