"""The live feed: capture tells readings, events and health to whoever listens on this machine."""

from capture.feed.client import AsyncLiveClient, LiveClient
from capture.feed.server import FEED_SCHEMA, Answer, LiveFeed, Message

__all__ = [
    "FEED_SCHEMA",
    "Answer",
    "AsyncLiveClient",
    "LiveClient",
    "LiveFeed",
    "Message",
]
