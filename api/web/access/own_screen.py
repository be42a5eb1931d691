"""The bench's own screen, where the machine has other accounts: a secret that only its owner can read.

The secret lies in the data folder, for the owner's account alone, and is what the commands show. A browser gets
it as a cookie, by a link that is printed at the start (or by ``lobewright pair link``) and works once.
"""

from __future__ import annotations

import hmac
import os
import secrets
import threading
from pathlib import Path

from api.base import MisuseError, StoreError
from api.web.access.access import OWN_SCREEN

FILE_NAME = "own_screen.key"
LEAST_LETTERS = 40
MOST_LINKS = 8


class WrongLinkError(MisuseError):
    """The link is not, or no longer, one that was printed."""

    status = 403

    def __init__(self) -> None:
        super().__init__(
            "wrong_link",
            "This link was used already, or is not one of this bench's own machine; "
            "`lobewright pair link` prints a new one.",
        )


class OwnScreen:
    """The secret of one data folder, and the links that are out; any thread may ask."""

    def __init__(self, data_dir: Path) -> None:
        self._token = kept_secret(data_dir)
        self._links: list[str] = []
        self._lock = threading.Lock()

    def knows(self, token: str) -> bool:
        """Tell whether a token is the secret."""
        return _equal(token, self._token)

    def new_link(self) -> str:
        """Give the path of a link that lets one screen in, once; the oldest of many no longer works."""
        with self._lock:
            self._links = [*self._links[1 - MOST_LINKS :], secrets.token_urlsafe(24)]
            return f"{OWN_SCREEN}{self._links[-1]}"

    def let_in(self, link: str) -> str:
        """Take a link and give the token; raises `WrongLinkError`."""
        with self._lock:
            left = [one for one in self._links if not _equal(link, one)]
            if len(left) == len(self._links):
                raise WrongLinkError
            self._links = left
            return self._token


def kept_secret(data_dir: Path) -> str:
    """Give the secret of a data folder, made when first asked for; raises `StoreError`."""
    path = data_dir / FILE_NAME
    try:
        kept = path.read_text(encoding="ascii").strip() if path.exists() else ""
        if len(kept) >= LEAST_LETTERS:
            return kept
        kept = secrets.token_urlsafe(32)
        new = path.with_suffix(".new")
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as out:
            out.write(kept)
            out.flush()
            os.fsync(out.fileno())
        new.replace(path)
    except (OSError, UnicodeDecodeError) as error:
        raise StoreError("no_own_secret", f"{path} cannot be read or written ({error}); remove it.") from None
    return kept


def _equal(told: str, wanted: str) -> bool:
    return hmac.compare_digest(told.encode("utf-8", "replace"), wanted.encode("utf-8", "replace"))
