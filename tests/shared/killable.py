"""Does things to a data folder in processes that may be killed at any system call; everything is loaded before.

    python killable.py

Each line on standard input names what to do and where, as JSON. A child is forked for it, stops itself, and its
number is told; whoever wants to trace it does so now and lets it go on. When it has ended, how it ended is told.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

from api.archive import TidyRules, import_trace, read_job, restore, tidy
from api.base import ServiceConfig
from api.measure import MeasurementAsked
from api.service import Service
from api.sheet import show_job
from api.store import ShopStore

YEAR_NS = 365 * 86_400 * 10**9


def take_job(data: Path, file: Path) -> None:
    shop = ShopStore(data)
    read_job(file, shop, data, show_job)
    shop.close()


def take_trace(data: Path, file: Path) -> None:
    shop = ShopStore(data)
    import_trace(file, MeasurementAsked(touches="piston_1", gauge="dial_a"), shop, data)
    shop.close()


def finish(data: Path, file: Path) -> None:
    """Finish the measurement that runs, as the service does when it is asked to."""
    service = Service(ServiceConfig(data))

    async def end() -> None:
        service.measuring.resume()
        for one in service.measurements.running():
            await service.measuring.finish(one.id)
        await service.measuring.close()

    asyncio.run(end())
    service.shop.close()


def tidied(data: Path, file: Path) -> None:
    tidy(data, TidyRules(time.time_ns() - YEAR_NS, unsigned_measurements=True), dry_run=False)


def restored(data: Path, file: Path) -> None:
    restore(file, data, replace=True)


DOINGS: dict[str, Callable[[Path, Path], None]] = {
    "import of a job": take_job,
    "import of a trace": take_trace,
    "finish": finish,
    "tidy": tidied,
    "restore": restored,
}


def main() -> None:
    print(json.dumps({"ready": True}), flush=True)
    for line in sys.stdin:
        asked = json.loads(line)
        child = os.fork()
        if not child:
            os.kill(os.getpid(), signal.SIGSTOP)
            try:
                DOINGS[asked["do"]](Path(asked["data"]), Path(asked["file"]))
            except BaseException as error:  # noqa: BLE001 - the child ends here, whatever it was
                print(repr(error), file=sys.stderr, flush=True)
                os._exit(1)
            os._exit(0)
        os.waitpid(child, os.WUNTRACED)  # it has stopped
        print(json.dumps({"pid": child}), flush=True)
        _, status = os.waitpid(child, 0)
        print(json.dumps({"ended": os.waitstatus_to_exitcode(status)}), flush=True)


if __name__ == "__main__":
    main()
