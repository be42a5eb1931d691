"""Whole jobs on the command line: by the service that runs, or without one."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

from api.archive import read_job
from api.base import ServiceConfig
from api.host import fetch_file, send_file
from api.records import JobReader
from api.service import Service
from api.sheet import show_job
from api.store import ShopStore
from api.web.routes import job_file


def fetch_job(address: str, number: int, folder: Path) -> Path:
    """Get a job file from the service that runs."""
    return fetch_file(f"{address}/api/jobs/{number}/job.zip", folder)


def send_job(address: str, path: Path) -> str:
    """Hand a job file to the service that runs, and say what it became."""
    told = send_file(f"{address}/api/jobs/from_file", path, {})
    return _taken(told["id"], told["job"]["reference"])


def write_jobs(numbers: tuple[int, ...], folder: Path, data_dir: Path) -> list[Path]:
    """Write job files without a service; this process is the shop's one writer meanwhile."""
    return asyncio.run(_write_jobs(numbers, folder, data_dir))


async def _write_jobs(numbers: tuple[int, ...], folder: Path, data_dir: Path) -> list[Path]:
    service = Service(ServiceConfig(data_dir))
    written = []
    try:
        for number in numbers:
            name, made = await job_file(service, number)
            written.append(_put(made, folder / name))
    finally:
        service.shop.close()
    return written


def _put(made: Path, path: Path) -> Path:
    """Put a file where it is wanted, whole or not at all, with the rights that new files have there."""
    new = path.with_suffix(".new")
    shutil.copyfile(made, new)
    made.unlink()
    return new.replace(path)


def take_job(path: Path, data_dir: Path) -> str:
    """Take a job file without a service, and say what it became."""
    shop = ShopStore(data_dir)
    try:
        number = read_job(path, shop, data_dir, show_job)
        return _taken(number, JobReader(shop.read).job(number).job.reference)
    finally:
        shop.close()


def _taken(number: int, reference: str) -> str:
    return f"job {number}, {reference}."
