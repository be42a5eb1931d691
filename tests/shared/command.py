"""The command in this process, with its two streams and its exit code, as a process of its own would give them.

A process of its own takes a second of processor time to begin; where only words and files matter it proves no more.
"""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
from unittest import mock

from api import command


def lobewright(*words: str) -> subprocess.CompletedProcess[str]:
    """Run `lobewright WORDS`; what it changes in the process (umask, words) is put back."""
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2))
    argv, code = ["lobewright", *words], 0
    umask = os.umask(0o022)
    os.umask(umask)
    try:
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            mock.patch.object(sys, "argv", argv),
        ):
            command.main()
    except SystemExit as ended:
        code = int(ended.code or 0)
    finally:
        os.umask(umask)
    told = [stream.buffer.getvalue().decode() for stream in (out, err)]  # type: ignore[attr-defined]
    return subprocess.CompletedProcess(argv, code, *told)
