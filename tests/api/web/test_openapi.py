"""The web API as it is described: it may change, but never unnoticed.

After a change that is meant, write it anew with ``python tests/api/web/test_openapi.py`` and commit both.
"""

from __future__ import annotations

import json
from pathlib import Path

from api.base import ServiceConfig
from api.web import create_app

KEPT = Path(__file__).with_name("openapi.json")


def described() -> str:
    document = create_app(ServiceConfig(Path("nowhere"))).openapi()
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def test_the_described_api_is_the_one_that_was_agreed() -> None:
    assert described() == KEPT.read_text(encoding="utf-8"), "see the top of this file"


def test_every_operation_is_described_in_words() -> None:
    for path, operations in json.loads(described())["paths"].items():
        for method, operation in operations.items():
            assert operation.get("description"), f"{method} {path} says nothing of itself"


if __name__ == "__main__":
    KEPT.write_text(described(), encoding="utf-8")
