"""Coverage-guided fuzzing of everything that reads bytes from outside: frames, bench, trace and job files, backups, feed.

    pip install atheris            (Linux; it is no dependency of the project)
    python tests/benchmarks/fuzz.py [--seconds 60] [TARGET]...

Each target runs in a process of its own. What raises anything but the one error it may raise is a defect: its bytes
are printed, and belong into a test. Exit code 1 where any was found.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

SMALL = Path("/dev/shm") if Path("/dev/shm").is_dir() else Path(tempfile.gettempdir())


def frames(content: bytes) -> None:
    """Every frame kind, the bytes cut where the first byte says."""
    from capture.bench import FRAME_KINDS, make_decoder

    step = 1 + (content[0] if content else 0)
    for kind in FRAME_KINDS:
        pattern = r"(?P<value>[+-]\d+\.\d+)" if kind == "pattern" else ""
        decoder = make_decoder(kind, tag="A" if kind == "tagged" else "", pattern=pattern)
        for start in range(1, len(content), step):
            for frame in decoder.feed(content[start : start + step]):
                assert frame.text


def bench_file(content: bytes) -> None:
    """A bench file."""
    from capture.base import BenchFileError
    from capture.bench import parse_bench

    try:
        parse_bench(content)
    except BenchFileError as error:
        assert error.problems


def trace_file(content: bytes) -> None:
    """A trace file; the header is given, so that the rows are reached."""
    from api.base import TraceFileError
    from api.records import read_trace

    path = SMALL / "lobewright-fuzzed.csv"
    path.write_bytes(b"time_s,channel,value\n" + content)
    try:
        read_trace(path)
    except TraceFileError as error:
        assert "\n" not in error.message


def feed_line(content: bytes) -> None:
    """A line of the live feed."""
    from capture.feed.client import decoded

    try:
        decoded(content)
    except ValueError:
        return


def job_file(content: bytes) -> None:
    """A job file whose zip is well made, the bytes its manifest."""
    path = _zipped("job.zip", "job.json", b'{"file":"lobewright job","version":1,' + content)
    _read_job_file(path)


def job_zip(content: bytes) -> None:
    """A job file, from its first byte on."""
    path = SMALL / "lobewright-fuzzed.zip"
    path.write_bytes(b"PK" + content)
    _read_job_file(path)


def _read_job_file(path: Path) -> None:
    from api.archive.job_file import JobFileReader
    from api.base import JobFileError, StoreError

    try:
        JobFileReader(path, SMALL).__exit__()
    except (JobFileError, StoreError) as error:
        assert error.message.count("\n") == 0


def _zipped(name: str, member: str, content: bytes) -> Path:
    path = SMALL / f"lobewright-fuzzed-{name}"
    with zipfile.ZipFile(path, "w") as file:
        file.writestr(member, content)
    return path


def backup(content: bytes) -> None:
    """A backup whose zip is well made, the bytes its manifest."""
    from api.archive import verify
    from api.base import MisuseError, StoreError

    try:
        verify(_zipped("shop.lwbackup", "manifest.json", content))
    except (MisuseError, StoreError) as error:
        assert error.message.count("\n") == 0


def foreign(content: bytes) -> None:
    """JSON from elsewhere: what passes can be written out and read again."""
    from api.files import foreign_json

    try:
        plain = foreign_json(content)
    except ValueError as error:
        assert "\n" not in str(error)
        return
    assert foreign_json(json.dumps(plain)) == plain


TARGETS: dict[str, Callable[[bytes], None]] = {
    "frames": frames,
    "bench_file": bench_file,
    "trace_file": trace_file,
    "feed_line": feed_line,
    "job_file": job_file,
    "job_zip": job_zip,
    "backup": backup,
    "foreign": foreign,
}


def run_one(name: str, seconds: int) -> None:
    """Fuzz one target until the time is up or something is found; never returns."""
    import atheris

    with atheris.instrument_imports(include=["capture", "api"]):
        TARGETS[name](b"")
    atheris.Setup(
        [sys.argv[0], f"-max_total_time={seconds}", "-max_len=2048", "-print_final_stats=1"], TARGETS[name]
    )
    atheris.Fuzz()


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "targets", nargs="*", choices=[*TARGETS, []], metavar="TARGET", help=", ".join(TARGETS)
    )
    parser.add_argument("--seconds", type=int, default=60, help="for each target")
    parser.add_argument("--alone", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.alone:
        run_one(options.targets[0], options.seconds)
    found = 0
    with tempfile.TemporaryDirectory() as folder:
        for name in options.targets or TARGETS:
            command = [
                sys.executable,
                str(Path(__file__).absolute()),
                name,
                "--alone",
                f"--seconds={options.seconds}",
            ]
            told = subprocess.run(
                command, cwd=folder, capture_output=True, text=True, errors="replace", check=False
            )
            runs = re.search(r"number_of_executed_units: (\d+)", told.stderr)
            covered = re.findall(r"cov: (\d+)", told.stderr)
            well = told.returncode == 0 and runs is not None
            found += not well
            print(
                f"{name:<12} {int(runs[1]) if runs else 0:>10,} inputs, {covered[-1] if covered else '?'} places reached: "
                f"{'nothing found' if well else 'FOUND, or could not run:'}",
                flush=True,
            )
            if not well:
                print(told.stderr[-3000:])
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
