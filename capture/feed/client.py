"""The reading half of the live feed: for the web service, and for any other program."""

from __future__ import annotations

import asyncio
import itertools
import json
import time
from collections.abc import AsyncIterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from capture.base import FeedAbsent, FeedLost, folder_mark
from capture.feed.endpoint import connected, opened

Message = dict[str, Any]


def refuse_other_folder(hello: Message, data_dir: Path) -> None:
    """Refuse a feed that tells of another folder: one that was copied says where the other's is.

    Raises
    ------
    FeedAbsent
    """
    told = hello.get("folder")
    if told and told != folder_mark(data_dir):
        raise FeedAbsent(
            f"what answers for {data_dir} records into another folder; start capture for this one"
        )


def decoded(line: bytes) -> Message:
    """Read one line as a JSON object.

    Raises
    ------
    ValueError
        It is none, or is nested beyond reason.
    """
    try:
        message = json.loads(line, parse_constant=_no_number)
    except RecursionError:
        raise ValueError("nested too deep") from None
    if not isinstance(message, dict):
        raise ValueError("not an object")  # noqa: TRY004 - what a line says is no argument of ours
    return message


def _no_number(word: str) -> None:
    raise ValueError(f"{word} is no JSON")


def _received(line: bytes) -> Message:
    """Read one line of the feed: an object with a kind."""
    try:
        message = decoded(line)
    except ValueError as error:
        raise FeedLost("the live feed said something that makes no sense; connect again") from error
    if not isinstance(message.get("kind"), str):
        raise FeedLost("the live feed sent a message without a kind; connect again")
    return message


class LiveClient:
    """A blocking client, for one thread.

    Parameters
    ----------
    data_dir : Path or str
        The data folder that capture was started with.
    timeout_s : float
        For connecting, and how long `ask` waits for an answer.

    Attributes
    ----------
    hello : dict
        The first message.

    Raises
    ------
    FeedAbsent
        When nobody listens.
    """

    def __init__(self, data_dir: Path | str, timeout_s: float = 5.0) -> None:
        self._timeout_s = timeout_s
        try:
            self._socket = connected(data_dir, timeout_s)
        except OSError as error:
            raise FeedAbsent(f"no capture answers for {data_dir}; start it") from error
        self._buffer = b""
        self._waiting: list[Message] = []
        self._ids = itertools.count(1)
        try:
            hello = self.receive(timeout_s)
        except FeedLost:
            hello = None
        if hello is None or hello["kind"] != "hello":
            self._socket.close()
            raise FeedAbsent(f"what answers for {data_dir} is no capture; start it again")
        try:
            refuse_other_folder(hello, Path(data_dir))
        except FeedAbsent:
            self._socket.close()
            raise
        self.hello = hello

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def receive(self, timeout_s: float | None = None) -> Message | None:
        """The next message; `None` when none came in time.

        Raises
        ------
        FeedLost
            When capture ended.
        """
        if self._waiting:
            return self._waiting.pop(0)
        while b"\n" not in self._buffer:
            self._socket.settimeout(timeout_s)
            try:
                data = self._socket.recv(1 << 18)
            except (TimeoutError, BlockingIOError):
                return None
            except OSError as error:
                raise FeedLost(f"the live feed broke off: {error.strerror}; connect again") from error
            if not data:
                raise FeedLost("capture ended the live feed; connect again")
            self._buffer += data
        line, self._buffer = self._buffer.split(b"\n", 1)
        return _received(line)

    def send(self, command: str, **fields: Any) -> int:
        """Send a command; its `answer` will carry the number that is returned."""
        number = next(self._ids)
        try:
            self._socket.sendall(_command_line(number, command, fields))
        except OSError as error:
            raise FeedLost("capture ended the live feed; connect again") from error
        return number

    def ask(self, command: str, **fields: Any) -> Message:
        """Send a command and wait for its answer; messages that come before it are kept for `receive`.

        Raises
        ------
        FeedLost
            When capture ended, or did not answer within the timeout.
        """
        until_s = time.monotonic() + self._timeout_s
        number = self.send(command, **fields)
        passed_by, self._waiting = self._waiting, []
        try:
            while (left_s := until_s - time.monotonic()) > 0.0:  # however much else it says meanwhile
                message = self.receive(left_s)
                if message is None:
                    break
                if message.get("kind") == "answer" and message.get("id") == number:
                    return message
                passed_by.append(message)
            raise FeedLost(f"capture did not answer {command!r}; look at its log")
        finally:
            self._waiting = passed_by

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()


class AsyncLiveClient:
    """The same for asyncio.

    Use ``async with AsyncLiveClient(data_dir) as client:`` and then ``async for message in client:``.
    Answers to `ask` are taken out of the stream by the task that iterates, so `ask` from another task.
    """

    def __init__(self, data_dir: Path | str, timeout_s: float = 5.0) -> None:
        self._data_dir, self._timeout_s = data_dir, timeout_s
        self._ids = itertools.count(1)
        self._asked: dict[int, asyncio.Future[Message]] = {}
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None
        self.hello: Message = {}

    async def __aenter__(self) -> Self:
        try:
            async with asyncio.timeout(
                self._timeout_s
            ):  # not wait_for: before Python 3.12 it can lose a cancelling
                self._reader, self._writer = await opened(self._data_dir)
        except (OSError, TimeoutError) as error:
            raise FeedAbsent(f"no capture answers for {self._data_dir}; start it") from error
        self.hello = await self._next_message()
        try:
            refuse_other_folder(self.hello, Path(self._data_dir))
        except FeedAbsent:
            self._writer.close()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        for future in self._asked.values():
            future.cancel()
        if self._writer:
            self._writer.close()

    async def __aiter__(self) -> AsyncIterator[Message]:
        while True:
            message = await self._next_message()
            future = self._answered(message)
            if future is None:
                yield message
            elif not future.done():
                future.set_result(message)

    def _answered(self, message: Message) -> asyncio.Future[Message] | None:
        number = message.get("id")
        return (
            self._asked.pop(number, None) if message["kind"] == "answer" and isinstance(number, int) else None
        )

    async def ask(self, command: str, **fields: Any) -> Message:
        """Send a command and wait for its answer.

        Raises
        ------
        FeedLost
            When capture does not answer in time.
        """
        number = next(self._ids)
        future: asyncio.Future[Message] = asyncio.get_running_loop().create_future()
        self._asked[number] = future
        try:
            await self.send_line(_command_line(number, command, fields))
            async with asyncio.timeout(self._timeout_s):
                return await future
        except TimeoutError as error:
            raise FeedLost(f"capture did not answer {command!r}; look at its log") from error
        finally:
            self._asked.pop(number, None)

    async def send_line(self, line: bytes) -> None:
        """Send one raw line."""
        if self._writer is None:
            raise FeedLost("the live feed is not connected; connect first")
        try:
            self._writer.write(line)
            await self._writer.drain()
        except OSError as error:
            raise FeedLost("capture ended the live feed; connect again") from error

    async def _next_message(self) -> Message:
        if self._reader is None:
            raise FeedLost("the live feed is not connected; connect first")
        try:
            line = await self._reader.readline()
        except (OSError, ValueError) as error:
            raise FeedLost("the live feed broke off; connect again") from error
        if not line.endswith(b"\n"):
            raise FeedLost("capture ended the live feed; connect again")
        return _received(line)


def _command_line(number: int, command: str, fields: dict[str, Any]) -> bytes:
    return json.dumps({"id": number, "command": command, **fields}).encode() + b"\n"
