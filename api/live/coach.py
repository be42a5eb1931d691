"""What this speed costs and what further turns would bring, in a builder's words, while the crank is turned."""

from __future__ import annotations

from analysis.timing import Outlook, advice

BETTER, HARDLY = 0.85, 0.95
"""What brings the interval down by less is not worth a sentence, or a figure in one."""

COUNTS = {
    1: "One more turn",
    2: "Two more turns",
    4: "Four more turns",
    6: "Six more turns",
    8: "Eight more turns",
}


def coaching(now: Outlook | None, wanted_u95_deg: float) -> str:
    """Say how wide the interval is and what would narrow it; empty where it is narrow enough, or nothing is known.

    Examples
    --------
    >>> coaching(Outlook(0.35, 90.0, 2, 2, 0.17, 0.02, 0.0, 0.03, 0.001), 0.25)
    '± 0.35 now. Two more turns: ± 0.29, at 60 deg/s ± 0.22.'
    """
    if now is None or now.u95_deg <= wanted_u95_deg:
        return ""
    told = advice(now, wanted_u95_deg)
    best = min(told.u95_deg, told.slower_u95_deg or told.u95_deg)
    if best > BETTER * now.u95_deg:
        return f"{_told(now.u95_deg)} now, and more turns hardly narrow it: {_what_stays(now)}."
    words = COUNTS.get(told.turns, f"{told.turns} more turns")
    same = f": {_told(told.u95_deg)}" if told.u95_deg < HARDLY * now.u95_deg else ""
    if told.slower_deg_s is None or told.slower_u95_deg is None:
        return f"{_told(now.u95_deg)} now. {words}{same}."
    slower = f"at {told.slower_deg_s:.0f} deg/s {_told(told.slower_u95_deg)}"
    return f"{_told(now.u95_deg)} now. {words}{same}{',' if same else ''} {slower}."


def _told(u95_deg: float) -> str:
    """Coarse where it is coarse, so that the line does not flicker."""
    return f"± {u95_deg:.2f}" if u95_deg < 1.0 else f"± {u95_deg:.1f}"


def _what_stays(now: Outlook) -> str:
    return f"most of it is {now.stays_most}" if now.stays_most else "it stands as it is"
