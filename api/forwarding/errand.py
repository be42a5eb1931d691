"""What is done with an archive again and again, in a thread and over a connection of its own."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Any

from api.forwarding.connecting import connect, refuse_other_version, version_of

if TYPE_CHECKING:
    from psycopg import Connection

ENDING_S = 2.0


class Errand(ABC):
    """Done for one bench with one archive; `start` begins the thread, `step` does one round in this one."""

    def __init__(self, url: str, name: str) -> None:
        self.url, self.name = url, name
        self._connection: Connection[tuple[Any, ...]] | None = None
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name=type(self).__name__.lower(), daemon=True)

    def start(self) -> None:
        """Begin; while the archive cannot be reached it is tried again."""
        self._thread.start()

    def stop(self) -> None:
        """End; what has not arrived goes next time."""
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(ENDING_S)

    def close(self) -> None:
        """Let go of the archive."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    @abstractmethod
    def step(self) -> bool:
        """Do one round; raises `ServiceError` where the archive cannot be reached or is of another version."""

    @abstractmethod
    def _run(self) -> None:
        """Do round after round until the end, whatever goes wrong in one."""

    def _opened(self, *settings: str) -> Connection[tuple[Any, ...]]:
        """Give the connection, in which each statement holds by itself; opened with these where there is none."""
        if self._connection is None or self._connection.closed:
            connection = connect(self.url)
            try:
                refuse_other_version(version_of(connection))
                connection.commit()
                connection.autocommit = True
                for setting in settings:
                    connection.execute(setting.encode())
            except BaseException:
                connection.close()
                raise
            self._connection = connection
        return self._connection
