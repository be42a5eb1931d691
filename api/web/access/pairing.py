"""Pairing: a code shown at the bench for two minutes, typed once on the screen that is to be let in."""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from api.base import MisuseError, ServiceError, TriesOfMany, unreadable
from api.web.access.paired_screens import PairedScreens

CODE_DIGITS = 8
CODE_LIVES_S = 120.0
TRIES_A_MINUTE = 5
TRIES_OF_ALL_A_MINUTE = 60
HERE = ""
"""The caller that is the bench's own machine, which no other can keep waiting."""
LONGEST_NAME = 40
WRONG = "That is not the code that the bench shows now. Codes live for two minutes and work once; ask for a new one."


class WrongCodeError(ServiceError):
    """The code is not, or no longer, the one shown."""

    status = 403

    def __init__(self) -> None:
        super().__init__("wrong_code", WRONG)


class TooManyTriesError(ServiceError):
    """Codes are tried too fast."""

    status = 429

    def __init__(self, wait_s: float) -> None:
        super().__init__("too_many_tries", f"Too many codes were tried; wait {wait_s:.0f} s and try again.")
        self.wait_s = wait_s


@dataclass(frozen=True, slots=True)
class Code:
    """A code as it is shown; `lives_s` counts from when it was made."""

    digits: str
    lives_s: float


class Pairing:
    """Gives codes, and takes them once.

    Each caller has its tries, so that one who types wrong codes all day keeps nobody else waiting; those of the
    network together have an end too, for an address costs an attacker little. Eight digits at sixty tries a minute,
    for two minutes, are about one chance in a million, and the bench shows a code only when somebody asks for one.
    """

    def __init__(self, data_dir: Path, clock_s: Callable[[], float] = time.monotonic) -> None:
        self.screens = PairedScreens(data_dir)
        self._clock_s = clock_s
        self._lock = threading.Lock()
        self._tries = TriesOfMany(TRIES_A_MINUTE, TRIES_OF_ALL_A_MINUTE, 60.0)
        self._digits = ""
        self._until_s = 0.0

    def new_code(self) -> Code:
        """Make a code; one made before is worth nothing from now on."""
        with self._lock:
            self._digits = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"
            self._until_s = self._clock_s() + CODE_LIVES_S
            return Code(self._digits, CODE_LIVES_S)

    def pair(self, typed: str, name: str, caller: str = HERE) -> str:
        """Take a code and give the token of the newly paired screen.

        Parameters
        ----------
        typed, name
            As they were typed on the screen.
        caller
            Whose tries it counts among.

        Raises
        ------
        TooManyTriesError, WrongCodeError
        MisuseError
            The name is empty, too long, or not one line of text; the code is still good.
        ConflictError
            Too many screens are paired; the code is still good.
        """
        name = _plain_name(name)
        with self._lock:
            now_s = self._clock_s()
            wait_s = self._tries.wait_s(caller, now_s, is_here=caller == HERE)
            if wait_s:
                raise TooManyTriesError(wait_s)
            if not self._is_right(typed, now_s):
                raise WrongCodeError
            token = self.screens.add(name)
            self._digits = ""
            return token

    def _is_right(self, typed: str, now_s: float) -> bool:
        """Compare in constant time, with something as long even when no code is out."""
        digits = "".join(typed.split()).replace("-", "").encode("utf-8", "replace")
        is_out = bool(self._digits) and now_s < self._until_s
        wanted = self._digits if is_out else "x" * CODE_DIGITS
        return hmac.compare_digest(digits, wanted.encode()) and is_out


def _plain_name(name: str) -> str:
    plain = " ".join(name.split())
    if not plain or len(plain) > LONGEST_NAME or not plain.isprintable() or unreadable(plain):
        raise MisuseError(
            "bad_name", f"Give this screen a name of 1 to {LONGEST_NAME} characters, such as 'Bench tablet'."
        )
    return plain
