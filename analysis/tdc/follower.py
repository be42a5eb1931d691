"""True TDC while the crank is still being turned: the number again and again, without beginning anew each time.

The crank's motion is kept as far as it has settled, the fit starts from that of a moment ago, and a clock of the gauge's
own that was found is looked for anew only as its readings grow. The number that is kept is that of
`analysis.tdc.find_tdc`, from the whole trace.
"""

from __future__ import annotations

from analysis.base import GaugeFacts, Refusal, Streams, TdcResult, TdcSettings
from analysis.readings import CrankFollower
from analysis.tdc.find import find_again
from analysis.tdc.so_far import SoFar


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
        self._so_far = SoFar(CrankFollower())

    def update(self, streams: Streams) -> TdcResult:
        """True TDC in the readings so far: those of the last call, and what came since.

        Raises
        ------
        Refusal
            As `find_tdc`; the next update is none the worse for it.
        """
        went_on = self._so_far.settled is not None
        try:
            return find_again(streams, self._settings, self._gauge, self._so_far)
        except Refusal:
            # What a moment ago was right may be a poor place to start from; nobody is accused for that.
            if not went_on or self._so_far.settled is not None:
                raise
        return find_again(streams, self._settings, self._gauge, self._so_far)
