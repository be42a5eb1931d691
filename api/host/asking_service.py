"""Asking the service that runs on this machine, from a command."""

from __future__ import annotations

import json
import shutil
import urllib.error
import urllib.request
import uuid
from pathlib import Path
from typing import Any

from api.base import MisuseError

ANSWER_S = 600.0


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


def _refused(error: urllib.error.HTTPError) -> MisuseError:
    told = json.loads(error.read())
    return MisuseError(told["code"], told["message"])
