"""``python -m capture --bench FILE --data DIR``: record a bench until told to stop.

Exit codes: 0 stopped in good order, everything stored; 2 the command or the bench file is wrong;
3 another capture records into the folder; 4 the stream store cannot be used; 5 stopped, but not
everything could be stored. A supervisor starts capture again after any other ending; after 2, 3 and 4
only a person can help.
"""

from __future__ import annotations

import argparse
import logging
import os
import signal
import sys
from pathlib import Path

from capture.base import (
    BenchFileError,
    CaptureError,
    DataFolderBusy,
    FolderLock,
    ask_for_priority,
    bench_keeps_time,
)
from capture.bench import Bench, load_bench

EXIT_STOPPED = 0
EXIT_MISUSED = 2
EXIT_FOLDER_BUSY = 3
EXIT_STORE = 4
EXIT_NOT_ALL_STORED = 5
NEEDS_A_PERSON = frozenset({EXIT_MISUSED, EXIT_FOLDER_BUSY, EXIT_STORE})


def main(arguments: list[str] | None = None) -> int:
    """Run the capture process; returns its exit code."""
    options = _parser().parse_args(arguments)
    os.umask(0o077)  # what is recorded is for the owner's account alone
    logging.basicConfig(
        level=logging.DEBUG if options.verbose else logging.INFO,
        format="%(levelname)s capture: %(message)s",
        stream=sys.stderr,
    )
    try:
        bench = load_bench(options.bench)
        with FolderLock(options.data):
            return _record(options, bench)
    except BenchFileError as error:
        return _refuse(error, EXIT_MISUSED)
    except DataFolderBusy as error:
        return _refuse(error, EXIT_FOLDER_BUSY)
    except CaptureError as error:
        return _refuse(error, EXIT_STORE)
    except OSError as error:
        return _refuse(
            f"{error.filename or options.data}: {error.strerror}; check the --data folder", EXIT_STORE
        )


def _record(options: argparse.Namespace, bench: Bench) -> int:
    from capture.daemon import Capture

    if not bench_keeps_time():
        ask_for_priority()
    capture = Capture(bench, options.bench.read_text(encoding="utf-8-sig"), options.data)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: capture.stop())
    return EXIT_STOPPED if capture.run() else EXIT_NOT_ALL_STORED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m capture", description="Record a bench.")
    parser.add_argument("--bench", type=Path, required=True, help="the bench file (TOML)")
    parser.add_argument("--data", type=Path, required=True, help="the data folder")
    parser.add_argument("--verbose", action="store_true", help="log more")
    return parser


def _refuse(reason: object, code: int) -> int:
    sys.stderr.write(f"{reason}\n")
    return code


if __name__ == "__main__":
    sys.exit(main())
