"""The one error root of capture."""

from __future__ import annotations


class CaptureError(Exception):
    """Root of everything capture raises; every message says what, where, and what to do.

    CaptureError
    ├── BenchFileError        the bench file cannot be used as it stands
    ├── PortError             a serial port
    │   ├── PortRetryable     may come right by itself: keep trying
    │   │   ├── PortMissing   no such device at the moment
    │   │   ├── PortBusy      another program has it
    │   │   ├── PortDenied    no permission
    │   │   └── PortLost      it was open and went away
    │   └── PortUnusable      will not come right without a person (a port name nothing can open)
    ├── StoreError            the stream store
    │   ├── StoreNewer        written by a newer version of the program
    │   └── StoreUnusable     not a stream store, or damaged
    ├── DataFolderBusy        another capture process writes to the same data folder
    └── FeedError             the live feed
        ├── FeedAbsent        no capture process publishes for this data folder
        └── FeedLost          the connection to the live feed ended
    """


class BenchFileError(CaptureError):
    """The bench file cannot be used; `problems` holds one sentence a mistake, with its line."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class PortError(CaptureError):
    """A serial port cannot be opened, read or written.

    `state` is the channel state (see `capture.health.ChannelState`) that people are shown.
    """

    state = "offline"


class PortRetryable(PortError):
    """The port may come right by itself; keep trying."""


class PortMissing(PortRetryable):
    """There is no such device at the moment."""


class PortBusy(PortRetryable):
    """Another program has the port."""

    state = "busy"


class PortDenied(PortRetryable):
    """The account that capture runs under may not open the port."""

    state = "denied"


class PortLost(PortRetryable):
    """The port was open and went away."""


class PortUnusable(PortError):
    """Nothing can open a port of this name; a person must correct the bench file."""


class StoreError(CaptureError):
    """The stream store cannot be used."""


class StoreNewer(StoreError):
    """The store was written by a newer version of the program."""


class StoreUnusable(StoreError):
    """The file is not a stream store, or it is damaged."""


class DataFolderBusy(CaptureError):
    """Another process has the same data folder."""


class FeedError(CaptureError):
    """The live feed cannot be used."""


class FeedAbsent(FeedError):
    """No capture process publishes for this data folder."""


class FeedLost(FeedError):
    """The connection to the live feed ended."""
