"""Every JavaScript module does what it says, tried in the browser it runs in."""

from __future__ import annotations

from pathlib import Path

import pytest

pytestmark = pytest.mark.browser
HERE = Path(__file__).parent
STATIC = HERE.parents[1] / "api" / "static"
TESTS = sorted((HERE / "modules").glob("*.test.js"))
PAGES = {
    "bench",
    "wall",
    "jobs",
    "job",
    "traces",
    "trace",
    "report",
    "instruments",
    "bench_setup",
    "help",
    "first",
    "piston_map",
    "drive",
    "fitting",
    "over_benches",
    "missing",
}
"""Scripts of whole pages; the tests that open those pages try them."""

RUN = """async (name) => {
  localStorage.clear();
  const [{ run }, { tests }] = await Promise.all([import('/check.js'), import(name)]);
  return run(tests);
}"""


@pytest.mark.parametrize("path", TESTS, ids=lambda path: path.name.removesuffix(".test.js"))
def test_a_module_passes_its_own_tests(path: Path, shared_tab, module_server: str) -> None:
    shared_tab.goto(f"{module_server}/empty.html")
    count, failures = shared_tab.evaluate(RUN, f"/{path.name}")
    assert count > 0
    assert failures == []


def test_every_module_has_tests_of_its_own() -> None:
    modules = {path.stem for path in STATIC.rglob("*.js")} - PAGES
    tested = {path.name.removesuffix(".test.js") for path in TESTS}
    assert modules == tested


def test_no_script_or_style_comes_from_outside() -> None:
    for path in [*STATIC.rglob("*.js"), *STATIC.rglob("*.css")]:
        text = path.read_text().replace("http://www.w3.org/", "")
        assert "http://" not in text, path.name
        assert "https://" not in text, path.name
