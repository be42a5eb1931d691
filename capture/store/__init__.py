"""The store of streams: one recorder writes blocks of readings, readers only read."""

from capture.store.recorder import Recorder, RecorderLimits, boot_id
from capture.store.schema import (
    STORE_NAME,
    keep_copy,
    lies_read_only,
    open_for_reading,
    open_for_writing,
    reading_uri,
    stream_migrations,
)
from capture.store.stream_reader import ChannelReadings, StreamReader
from capture.store.stream_store import StreamWriter

__all__ = [
    "STORE_NAME",
    "ChannelReadings",
    "Recorder",
    "RecorderLimits",
    "StreamReader",
    "StreamWriter",
    "boot_id",
    "keep_copy",
    "lies_read_only",
    "open_for_reading",
    "open_for_writing",
    "reading_uri",
    "stream_migrations",
]
