"""True TDC while the crank is still being turned: the number again and again, without beginning anew each time.

The crank's motion is kept as far as it has settled, the lag of a moment ago spares the search for it, and a clock of the
gauge's own that was found is looked for anew only as its readings grow. The number that is kept is that of
`analysis.tdc.find_tdc`, from the whole trace.
"""

from __future__ import annotations

from analysis.base import GaugeFacts, Streams, TdcResult, TdcSettings
from analysis.readings import ClockWatch, CrankFollower
from analysis.tdc.find import find_tdc


class TdcFollower:
    """Finds true TDC in readings that grow.

    Parameters
    ----------
    settings : TdcSettings
    gauge : GaugeFacts
        As of `find_tdc`.
    """

    def __init__(self, settings: TdcSettings, gauge: GaugeFacts) -> None:
        self._settings, self._gauge = settings, gauge
        self._follow = CrankFollower()
        self._watch = ClockWatch()
        self._last: TdcResult | None = None

    def update(self, streams: Streams) -> TdcResult:
        """True TDC in the readings so far: those of the last call, and what came since.

        Raises
        ------
        Refusal
            As `find_tdc`; the next update is none the worse for it.
        """
        self._last = find_tdc(streams, self._settings, self._gauge, self._last, self._follow, self._watch)
        return self._last
