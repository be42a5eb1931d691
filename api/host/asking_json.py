"""Asking a service of this machine for JSON, and telling it something."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from dataclasses import dataclass
from typing import Any, Protocol

WAIT_S = 60.0


class Asking(Protocol):
    """Anything that can be asked at a path, and told something."""

    def get(self, path: str) -> Any:
        """Ask; raises `OSError` where it does not answer well."""

    def post(self, path: str, body: Any = None) -> Any:
        """Tell; raises `OSError` with the sentence that was answered."""


@dataclass(frozen=True)
class Address:
    """An address of this machine, and what is said of every request to it."""

    url: str
    headers: tuple[tuple[str, str], ...] = ()

    def get(self, path: str) -> Any:
        """Ask for JSON."""
        return self._exchange(urllib.request.Request(f"{self.url}{path}"))

    def post(self, path: str, body: Any = None) -> Any:
        """Send JSON."""
        content = b"" if body is None else json.dumps(body).encode()
        return self._exchange(urllib.request.Request(f"{self.url}{path}", content))

    def _exchange(self, request: urllib.request.Request) -> Any:
        for name, value in (("Content-Type", "application/json"), *self.headers):
            request.add_header(name, value)
        try:
            with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
                content = answer.read()
                return json.loads(content) if content else None
        except urllib.error.HTTPError as error:
            raise OSError(f"{request.full_url} answered {error.code}: {_said(error)}") from None


def _said(error: urllib.error.HTTPError) -> str:
    return error.read()[:300].decode(errors="replace")
