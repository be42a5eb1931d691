"""Scripts, styles and drawings: checked by ETag, compressed once, plotly out of its own package."""

from __future__ import annotations

import gzip
import hashlib
import importlib.util
import mimetypes
import re
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from api.base import NotFoundError

IMPORTED = re.compile(r"""(?:from|^import)\s+["']\./(\w+\.js)["']""", re.MULTILINE)
OURS = Path(__file__).parents[2] / "static"
SMALLEST_TO_COMPRESS = 600
COMPRESSIBLE = ("text/", "application/json", "application/javascript", "image/svg+xml")
TYPES = {".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml"}


def plotly_script() -> Path:
    """Find plotly's script in the installed package, without importing it."""
    spec = importlib.util.find_spec("plotly")
    assert spec is not None and spec.origin is not None
    return Path(spec.origin).parent / "package_data" / "plotly.min.js"


@dataclass(frozen=True, slots=True)
class Asset:
    """One file as it is sent."""

    media_type: str
    etag: str
    plain: bytes
    packed: bytes | None


def static_file(name: str, request: Request) -> Response:
    """Answer for one file; "not modified" where the browser has it already."""
    path = plotly_script() if name == "plotly.min.js" else _ours(name)
    stat = path.stat()
    asset = _load(path, stat.st_mtime_ns, stat.st_size)
    headers = {"ETag": asset.etag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
    if asset.etag in {
        tag.strip().removeprefix("W/") for tag in request.headers.get("if-none-match", "").split(",")
    }:
        return Response(status_code=304, headers=headers)
    if asset.packed is not None and "gzip" in request.headers.get("accept-encoding", ""):
        return Response(
            asset.packed, media_type=asset.media_type, headers=headers | {"Content-Encoding": "gzip"}
        )
    return Response(asset.plain, media_type=asset.media_type, headers=headers)


@lru_cache(maxsize=1)
def our_files() -> dict[str, Path]:
    """Give every file of ours by its name: rooms are for those who work on them, addresses know none."""
    return {path.name: path for path in OURS.rglob("*") if path.is_file()}


@lru_cache(maxsize=64)
def modules_of(script: str) -> tuple[str, ...]:
    """Name the modules that a page's script needs, each once, so that a browser asks for all of them at once."""
    found: dict[str, None] = {}
    waiting = [script]
    while waiting:
        text = _ours(waiting.pop()).read_text(encoding="utf-8")
        fresh = [name for name in IMPORTED.findall(text) if name not in found and name != script]
        found.update(dict.fromkeys(fresh))
        waiting.extend(fresh)
    return tuple(sorted(found))


def _ours(name: str) -> Path:
    path = our_files().get(name)
    if path is None:
        raise NotFoundError("no_such_file", "There is no such file.")
    return path


@lru_cache(maxsize=256)
def _load(path: Path, mtime_ns: int, size: int) -> Asset:
    plain = path.read_bytes()
    media_type = TYPES.get(path.suffix) or mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    worth_it = len(plain) >= SMALLEST_TO_COMPRESS and media_type.startswith(COMPRESSIBLE)
    packed = gzip.compress(plain, 6, mtime=0) if worth_it else None
    return Asset(media_type, f'"{hashlib.sha256(plain).hexdigest()[:24]}"', plain, packed)
