"""What every part of capture stands on: readings and events, their bus, errors, the data folder."""

from capture.base.bus import Bus, Listener
from capture.base.clock import PortProgress, bench_keeps_time, wire_now_ns, wire_pause_s
from capture.base.errors import (
    BenchFileError,
    CaptureError,
    DataFolderBusy,
    FeedAbsent,
    FeedError,
    FeedLost,
    PortBusy,
    PortDenied,
    PortError,
    PortLost,
    PortMissing,
    PortRetryable,
    PortUnusable,
    StoreNewer,
    StoreUnusable,
)
from capture.base.folder import (
    LOCK_NAME,
    FolderLock,
    folder_mark,
    is_held,
    publish_facts,
    read_facts,
    withdraw_facts,
)
from capture.base.log_limit import LimitedLog
from capture.base.reading import MM_PER_INCH, Channel, Event, Gap, Readings, Segment
from capture.base.service_notify import notify
from capture.base.stop_request import StopRequest
from capture.base.system import HAS_DESCRIPTORS, HAS_LOCAL_SOCKETS, ask_for_priority

__all__ = [
    "HAS_DESCRIPTORS",
    "HAS_LOCAL_SOCKETS",
    "LOCK_NAME",
    "MM_PER_INCH",
    "BenchFileError",
    "Bus",
    "CaptureError",
    "Channel",
    "DataFolderBusy",
    "Event",
    "FeedAbsent",
    "FeedError",
    "FeedLost",
    "FolderLock",
    "Gap",
    "LimitedLog",
    "Listener",
    "PortBusy",
    "PortDenied",
    "PortError",
    "PortLost",
    "PortMissing",
    "PortProgress",
    "PortRetryable",
    "PortUnusable",
    "Readings",
    "Segment",
    "StopRequest",
    "StoreNewer",
    "StoreUnusable",
    "ask_for_priority",
    "bench_keeps_time",
    "folder_mark",
    "is_held",
    "notify",
    "publish_facts",
    "read_facts",
    "wire_now_ns",
    "wire_pause_s",
    "withdraw_facts",
]
