"""Asking the service that runs on this machine, from a command."""

from __future__ import annotations

import json
import shutil
import urllib.error
import urllib.request
import uuid
from pathlib import Path
from typing import Any

from api.base import BenchError, MisuseError
from api.host.serving import WEB_FILE

ANSWER_S = 600.0
SHORT_S = 10.0
_directly = urllib.request.build_opener(urllib.request.ProxyHandler({}))


def send_file(address: str, path: Path, fields: dict[str, str]) -> dict[str, Any]:
    """Post a file with some fields of a form, and give the answer; raises `MisuseError` as it was refused."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise MisuseError("unreadable_file", f"the file cannot be opened ({error.strerror}).") from None
    boundary = uuid.uuid4().hex
    head = "".join(
        f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in fields.items()
    )
    head += f'--{boundary}\r\nContent-Disposition: form-data; name="file"; filename="{path.suffix}"\r\n\r\n'
    request = urllib.request.Request(
        address,
        head.encode() + content + f"\r\n--{boundary}--\r\n".encode(),
        {"Content-Type": f"multipart/form-data; boundary={boundary}"},
    )
    try:
        with urllib.request.urlopen(request, timeout=ANSWER_S) as answer:
            told: dict[str, Any] = json.loads(answer.read())
            return told
    except urllib.error.HTTPError as error:
        raise _refused(error) from None


def fetch_file(address: str, folder: Path) -> Path:
    """Get a file under the name that the service gives it, whole or not at all."""
    try:
        with urllib.request.urlopen(address, timeout=ANSWER_S) as answer:
            path = folder / Path(answer.headers.get_filename()).name
            new = path.with_suffix(".new")
            with new.open("wb") as file:
                shutil.copyfileobj(answer, file)
            new.replace(path)
            return path
    except urllib.error.HTTPError as error:
        raise _refused(error) from None


def running_address(data_dir: Path) -> str | None:
    """Give the address at which the service of a data folder says it is."""
    try:
        return str(json.loads((data_dir / WEB_FILE).read_text(encoding="utf-8"))["url"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _own_cookie(data_dir: Path) -> dict[str, str]:
    """Give what proves that we are the bench's own account, where a secret was made for that."""
    from api.web.access import BENCH_COOKIE, OWN_SECRET_FILE

    try:
        secret = (data_dir / OWN_SECRET_FILE).read_text(encoding="ascii").strip()
    except OSError:
        return {}
    return {"Cookie": f"{BENCH_COOKIE}={secret}"} if secret else {}


def ask(
    data_dir: Path, method: str, path: str, body: Any = None, within_s: float = SHORT_S
) -> dict[str, Any]:
    """Ask the service of a data folder, from the bench's own machine; raises as it was refused."""
    address = running_address(data_dir)
    if address is None:
        raise BenchError(
            "not_running",
            f"no Lobewright runs with the folder {data_dir}; start it (lobewright run), or give its --data.",
        )
    headers = _own_cookie(data_dir) | ({} if body is None else {"Content-Type": "application/json"})
    content = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(f"{address}{path}", content, headers, method=method)
    try:
        with _directly.open(request, timeout=within_s) as answer:
            told: dict[str, Any] = json.loads(answer.read())
            return told
    except urllib.error.HTTPError as error:
        raise _refused(error) from None
    except OSError:
        raise BenchError(
            "not_running", f"the Lobewright of the folder {data_dir} does not answer at {address}; start it."
        ) from None


def _refused(error: urllib.error.HTTPError) -> MisuseError:
    told = json.loads(error.read())
    return MisuseError(told["code"], told["message"])
