"""Whether the intervals of deck heights, of their spread and of the face's tilt hold.

    python tests/benchmarks/deck_height.py           1,000 blocks, a few seconds

A block is a plane in space, a crown a disc that rocks about its pin; a gauge stands at a point of the plane and looks
down the bore. Zeros, readings and the gauge are off by chance within their limits. Nothing is shared with what reads it.
"""

from __future__ import annotations

import numpy as np

from analysis.report import CrownReadings, DeckFound, DeckSettings, deck_heights

BORES, SPACING_MM, APART_MM = 4, 92.0, 60.0
LIMIT_MM, REPEAT_MM = 0.006, 0.01


class Block:
    """A face that lies askew, and crowns that stand at their own heights and rock."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.heights = rng.uniform(-0.3, 0.6, BORES)
        self.along, self.across = rng.uniform(-4e-4, 4e-4), rng.uniform(-4e-4, 4e-4)
        self.rock = rng.uniform(0.0005, 0.003, BORES)
        self.normal = np.array([-self.along, -self.across, 1.0])

    def below_face(self, bore: int, across_mm: float, rocked: float) -> float:
        """Down the bore from the face to the crown, at a place across the pin; `rocked` +1 or -1."""
        x = bore * SPACING_MM
        face = -(self.normal[0] * x + self.normal[1] * across_mm) / self.normal[2]
        crown = -self.heights[bore] + np.tan(rocked * self.rock[bore]) * across_mm
        return float(face - crown)

    def deck(self, bore: int) -> float:
        """At the middle of the bore: between the face there and the crown that does not rock."""
        return self.below_face(bore, 0.0, 0.0)


def read(block: Block, rng: np.random.Generator) -> DeckFound:
    def off(limit: float) -> float:
        return float(rng.uniform(-limit, limit))

    crowns, gauge = [], off(LIMIT_MM)
    for bore in range(BORES):
        zero = off(REPEAT_MM)
        places = [
            tuple(block.below_face(bore, at, way) + gauge + zero + off(REPEAT_MM) for way in (-1.0, 1.0))
            for at in (-APART_MM / 2, APART_MM / 2)
        ]
        crowns.append(CrownReadings(str(bore + 1), places[0], places[1], bore * SPACING_MM))
    return deck_heights(crowns, DeckSettings(True, True, APART_MM, LIMIT_MM, REPEAT_MM))


def coverage(count: int, seed: int = 3) -> dict[str, float]:
    """Share of intervals that hold the truth."""
    rng, held = np.random.default_rng(seed), {"deck": [], "spread": [], "along": [], "across": []}
    for _ in range(count):
        block = Block(rng)
        found, true = read(block, rng), np.array([block.deck(bore) for bore in range(BORES)])
        held["deck"] += [
            abs(one.deck_mm.value - own) <= one.deck_mm.u95
            for one, own in zip(found.cylinders, true, strict=True)
        ]
        held["spread"].append(abs(found.spread_mm.value - np.ptp(true)) <= found.spread_mm.u95)
        line = np.polyfit(np.arange(BORES) * SPACING_MM, true, 1)[0]
        held["along"].append(abs(found.tilt_along.value - 100 * line) <= found.tilt_along.u95)
        held["across"].append(abs(found.tilt_across.value - 100 * block.across) <= found.tilt_across.u95)
    return {name: float(np.mean(shares)) for name, shares in held.items()}


if __name__ == "__main__":
    for name, share in coverage(1000).items():
        print(f"{name:<7} {100 * share:.1f} % of 1000 hold (95 wanted)")
