"""Where a curve crosses a level, between two places of which one is known to lie below it."""

from __future__ import annotations

from collections.abc import Callable


def crossed_at(above: Callable[[float], float], under: float, over: float, within: float) -> float:
    """Halve the way from where a curve is under a level to where it is over it.

    A library's root finder takes fewer steps, and holds up every start by a tenth: it is loaded with all that the
    library has for finding minima.

    Parameters
    ----------
    above : callable
        How far the curve stands above the level at a place: negative at `under`, not so at `over`.
    under, over : float
        The two places, in either order; the curve may cross between them once.
    within : float
        The width of what is left in the end, in the places' unit.
    """
    while abs(over - under) > within:
        middle = 0.5 * (under + over)
        if above(middle) < 0.0:
            under = middle
        else:
            over = middle
    return 0.5 * (under + over)
