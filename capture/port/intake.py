"""From bytes to readings of one channel: decode, prove, stamp, unwrap, number. Pure: no port, no clock.

Nothing is dropped without a `Gap`: every line that was read and is not among the readings is counted there.
"""

from __future__ import annotations

from dataclasses import replace

from capture.base import Event, Gap, Listener, Readings, Segment
from capture.bench import CrankInstrument, Frame, GaugeInstrument
from capture.port.continuity import Admitted, Continuity, CrankContinuity, GaugeContinuity, Proof
from capture.port.index_watch import IndexWatch
from capture.port.stamping import DeviceClock, Stamper

TALLY_EVERY_NS = 1_000_000_000
NOTICE_EVERY_NS = 10_000_000_000

_BEGINNINGS = {
    "counter_reset": "the counter began again at zero; find true TDC again before measuring",
    "counter_jump": "the count leapt further than a hand can turn; find true TDC again before measuring",
    "counts_lost": "counts were lost, as the board has told; find true TDC again before measuring",
    "resolution": "the gauge now sends another number of decimals; was its unit key pressed?",
}


class Intake:
    """Turns one port's chunks into readings for a listener.

    Parameters
    ----------
    out : Listener
        Given readings, gaps and events, in order.
    clock : DeviceClock, optional
        Shared by the channels of one device.
    """

    def __init__(
        self,
        instrument: CrankInstrument | GaugeInstrument,
        out: Listener,
        clock: DeviceClock | None = None,
    ) -> None:
        self.channel = instrument.channel
        self.decoder = instrument.decoder()
        self.accepted = 0
        self.last_ns = 0
        self.last_line = b""
        self._out = out
        self._asked = isinstance(instrument, GaugeInstrument) and bool(instrument.request)
        self._continuity = _continuity(instrument)
        self._proof = Proof(_lines_that_prove(instrument, asked=self._asked))
        self._stamper = Stamper(instrument.byte_ns)
        self._device_clock = clock or DeviceClock()
        self._clock_told = False
        self._notices = _Notices()
        self._index = (
            IndexWatch(instrument.counts_per_turn) if isinstance(instrument, CrankInstrument) else None
        )
        self._segment: Segment | None = None
        self._begin_reason = "start"
        self._tally = _Tally()
        self._lost = ""
        self._in_doubt = False
        self._late = False
        self._opening = False

    @property
    def rejected(self) -> int:
        """Lines read and not accepted, for whatever reason."""
        return self.decoder.rejects.total + self._proof.dropped + self._continuity.implausible

    @property
    def damaged(self) -> int:
        """Lines that were whole, but cannot be what the instrument said."""
        return self.decoder.rejects.rejected + self._proof.dropped + self._continuity.implausible

    def begin(self, reason: str, now_ns: int, closed_ns: int | None = None) -> None:
        """The port was just opened and emptied: nothing before belongs to what comes now.

        Parameters
        ----------
        reason : str
            Of the segment that begins.
        closed_ns : int, optional
            Since when nothing was read, where no reading tells.
        """
        self._out.gap(Gap(self.channel.name, "closed", self.last_ns or closed_ns or now_ns, now_ns))
        self._tally.begin(now_ns)
        self.decoder.resynchronise(in_step=self._asked)
        self._proof.begin()
        self._continuity.begin()
        if self._index:
            self._index.begin()
        self._stamper.begin(now_ns)
        self._device_clock.begin()
        self._clock_told = False
        self._notices = _Notices()
        self._begin_reason = reason
        self._opening = True

    def hold(self, *, in_doubt: bool) -> None:
        """While in doubt, readings are counted as a gap and not passed on."""
        if self._in_doubt and not in_doubt:
            self._begin_reason = "accepted"
        self._in_doubt = in_doubt

    def take(self, chunk: bytes, read_ns: int, *, late: bool = False) -> int:
        """Take what one read returned.

        Parameters
        ----------
        read_ns : int
            Monotonic time at which the read returned.
        late : bool
            The bytes had been waiting, nobody knows how long: they get a segment of their own.

        Returns
        -------
        int
            Lines recognised in the chunk.
        """
        frames = self.decoder.feed(chunk)
        if (
            frames and self._opening
        ):  # at once: a process killed within a second would never list its first half line
            self._opening = False
            self._list_rejects(read_ns)
        stamps = self._stamper.stamps(read_ns, len(chunk), [frame.end for frame in frames])
        self._take_frames([*zip(frames, stamps, strict=True)], late=late)
        self._tell_notices(read_ns)
        return len(frames)

    def take_answer(self, frame: Frame, t_ns: int) -> None:
        """Take one frame that answered a question, stamped by the question."""
        (stamp,) = self._stamper.stamps(t_ns, 0, [0])
        self._take_frames([(frame, stamp)], late=False)

    def late_answer(self) -> None:
        """An answer came that may belong to an earlier question: it is counted, not used."""
        self._tally.late_answer += 1

    def settle(self, now_ns: int) -> None:
        """List what was rejected lately as a gap, if a second has gone by."""
        if self._tally.is_due(now_ns):
            self._list_rejects(now_ns)

    def finish(self, now_ns: int) -> None:
        """The port is closed: nothing held back can be proven any more."""
        self.decoder.resynchronise()
        self._proof.begin()
        self._continuity.begin()
        self._list_rejects(now_ns)

    def _list_rejects(self, now_ns: int) -> None:
        for gap in self._tally.settle(self._counts(), now_ns):
            self._out.gap(Gap(self.channel.name, *gap))

    def _take_frames(self, stamped: list[tuple[Frame, int]], *, late: bool) -> None:
        """Let through what is proven and continues; until a doubt is settled it is counted and not passed on."""
        if late != self._late:
            self._late = late
            self._begin_reason = self._begin_reason or ("late" if late else "fresh")
        admitted: list[Admitted] = []
        for frame, t_ns in stamped:
            self.last_line = frame.text
            for proven, stamp in self._proof.admit(frame, t_ns):
                if self._index:
                    self._look_at_index(self._index, proven, stamp)
                passed = self._continuity.admit(proven, self._own_time(proven, stamp))
                self._lost = proven.begins or self._lost
                if passed and self._lost:
                    passed[0], self._lost = replace(passed[0], begins=passed[0].begins or self._lost), ""
                admitted += passed
        if admitted and self._in_doubt:
            self._tally.in_doubt += len(admitted)
        elif admitted:
            self._pass_on(admitted)

    def _look_at_index(self, index: IndexWatch, frame: Frame, t_ns: int) -> None:
        away = index.slipped(frame)
        if away:
            sentence = (
                f"{self.channel.name}: the index mark came {away:+d} counts from where it was: the coupling "
                "slipped or counts were missed; look at it, then find true TDC again"
            )
            self._out.event(Event(t_ns, self.channel.name, "index_slip", sentence))

    def _own_time(self, frame: Frame, t_ns: int) -> int:
        return t_ns if frame.micros is None else self._device_clock.stamp(t_ns, frame.micros)

    def _tell_notices(self, now_ns: int) -> None:
        """What the device said of itself, and once how its clock stands to ours."""
        notices, self.decoder.notices = self.decoder.notices, []
        uncertainty_ns = self._device_clock.uncertainty_ns
        if self.decoder.speaks_for_board and not self._clock_told and uncertainty_ns is not None:
            self._clock_told = True
            drift, ms = self._device_clock.drift_ppm, uncertainty_ns / 1e6
            notices.append(
                ("clock_mapped", f"its clock and ours drift by {drift:+.0f} ppm, stamps hold to {ms:.3f} ms")
            )
        for code, sentence in self._notices.new(notices, now_ns):
            self._out.event(Event(now_ns, self.channel.name, code, f"{self.channel.name}: {sentence}"))

    def _pass_on(self, admitted: list[Admitted]) -> None:
        start = 0
        for place, reading in enumerate(admitted):
            if reading.begins or self._begin_reason or self._segment is None:
                self._emit(admitted[start:place])
                start = place
                self._begin_segment(reading)
        self._emit(admitted[start:])

    def _begin_segment(self, reading: Admitted) -> None:
        reason = reading.begins or self._begin_reason or "start"
        number = 0 if self._segment is None else self._segment.number + 1
        self._segment = Segment(number, reason, reading.shift, reading.decimals)
        self._begin_reason = ""
        if reading.begins and reading.begins != "counts_lost" and self._index:
            self._index.begin()  # after lost counts the mark itself shows how many
        if reading.begins:
            sentence = f"{self.channel.name}: {_BEGINNINGS[reason]}"
            self._out.event(Event(reading.t_ns, self.channel.name, reason, sentence))

    def _emit(self, admitted: list[Admitted]) -> None:
        if not admitted or self._segment is None:
            return
        stamps = []
        for reading in admitted:
            self.last_ns = max(reading.t_ns, self.last_ns + 1)
            stamps.append(self.last_ns)
        raw = tuple(reading.raw for reading in admitted)
        first, self.accepted = self.accepted, self.accepted + len(raw)
        self._out.readings(Readings(self.channel, self._segment, first, tuple(stamps), raw))

    def _counts(self) -> dict[str, int]:
        rejects = self.decoder.rejects
        return {
            "partial": rejects.partial,
            "overflow": rejects.overflow,
            "rejected": rejects.rejected + self._proof.dropped,
            "implausible": self._continuity.implausible,
            "in_doubt": self._tally.in_doubt,
            "late_answer": self._tally.late_answer,
        }


class _Notices:
    """The same notice at most once in `NOTICE_EVERY_NS`: a loose wire says it with every line."""

    def __init__(self) -> None:
        self._told_ns: dict[str, int] = {}

    def new(self, notices: list[tuple[str, str]], now_ns: int) -> list[tuple[str, str]]:
        """Those that were not told lately."""
        fresh = []
        for code, sentence in notices:
            if now_ns - self._told_ns.get(code, now_ns - NOTICE_EVERY_NS) >= NOTICE_EVERY_NS:
                self._told_ns[code] = now_ns
                fresh.append((code, sentence))
        return fresh


class _Tally:
    """Turns growing counts into gaps, at most one a reason a second."""

    def __init__(self) -> None:
        self.in_doubt = 0
        self.late_answer = 0
        self._told: dict[str, int] = {}
        self._told_ns = 0

    def begin(self, now_ns: int) -> None:
        """Count from here."""
        self._told_ns = now_ns

    def is_due(self, now_ns: int) -> bool:
        """Whether it is time for the next tally."""
        return now_ns - self._told_ns >= TALLY_EVERY_NS

    def settle(self, counts: dict[str, int], now_ns: int) -> list[tuple[str, int, int, int]]:
        """Reason, start, end and lines of what was newly counted."""
        start_ns = min(self._told_ns, now_ns)
        grown = [(reason, count - self._told.get(reason, 0)) for reason, count in counts.items()]
        self._told, self._told_ns = counts, now_ns
        return [(reason, start_ns, now_ns, lines) for reason, lines in grown if lines > 0]


def _continuity(instrument: CrankInstrument | GaugeInstrument) -> Continuity:
    if isinstance(instrument, CrankInstrument):
        return CrankContinuity(
            instrument.counts_per_crank_turn,
            instrument.direction,
            instrument.wraps_at,
            instrument.fastest_rpm,
            restarts=instrument.dtr,
        )
    return GaugeContinuity(instrument.unit)


def _lines_that_prove(instrument: CrankInstrument | GaugeInstrument, *, asked: bool) -> int:
    """A bare count looks right sooner by chance than a decimal; an answer came because it was asked for."""
    if isinstance(instrument, CrankInstrument):
        return 5
    return 1 if asked else 2
