"""What the bench says of itself to those who look from elsewhere: the number its own page shows, and what goes with it."""

from __future__ import annotations

from typing import Literal
from urllib.parse import urlsplit

from api.base import Guide, Health, is_loopback
from api.forwarding import LiveWord
from api.live import PROGRAM, BenchState, Board


def live_word(board: Board, addresses: list[str]) -> LiveWord:
    """Give the bench as it is now.

    Parameters
    ----------
    addresses
        Where its own pages are; the first that another machine can open is told.
    """
    health = board.health()
    guide = board.guide(health)
    word = LiveWord(
        reads=_reads(board.bench, health),
        health=health.sentence,
        sentence=guide.sentence,
        readings={name: latest.value for name, latest in board.bench.latest.items()},
        job_id=guide.job_id,
        job=guide.job,
        address=next(filter(_from_elsewhere, addresses), ""),
        version=PROGRAM,
    )
    return word.model_copy(update=_number(board, guide))


def _number(board: Board, guide: Guide) -> dict[str, object]:
    """Give the one number of the bench page: the guide's, else the settling centre's."""
    if guide.number is not None:
        return {
            "label": guide.label,
            "number": guide.number,
            "unit": guide.unit,
            "interval": guide.interval,
        }
    view, centre = board.measurement, board.centre
    result = (
        centre.result
        if centre is not None and view is not None and centre.measurement_id == view.id
        else None
    )
    if view is None or not result or result.get("centre_deg") is None:
        return {}
    once = any(one["code"] == "seen_once" for one in result.get("warnings", ()))
    settling = (", seen once" if once else ", settling") if view.state == "running" else ""
    return {
        "label": f"{view.touches.replace('_', ' ')}{settling}",
        "number": result["centre_deg"],
        "unit": "deg",
        "from_tdc": view.what == "lobe",
        "interval": result.get("u95_deg"),
    }


def _reads(bench: BenchState, health: Health) -> Literal["live", "partly", "stopped", "none"]:
    if not bench.instruments or not health.channels:
        return "none" if health.capture_alive or not bench.instruments else "stopped"
    if not health.capture_alive:
        return "stopped"
    return "live" if all(one.state == "online" for one in health.channels) else "partly"


def _from_elsewhere(address: str) -> bool:
    host = urlsplit(address).hostname or ""
    return bool(host) and not is_loopback(host)
