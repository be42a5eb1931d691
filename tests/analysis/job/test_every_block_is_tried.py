"""No block of the procedure is forgotten by the tests that try to get past them."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import analysis

NEVER_BLOCKS = {
    "coarse_tdc",
    "tightening_moved",
    "moved_since",
    "not_measured",
    "way_of_whole_cam",
    "lift_at_tdc",
    "full_lift",
    "equal_lift",
    "equal_overlap_lift",
    "measure_again",
    "as_found",
    "true_tdc",
    "sign_off",
    "bench_check",
    "cannot_tell",
}


def codes_in_the_sources() -> set[str]:
    folder = Path(analysis.__file__).parent
    names = ("admission", "opening", "cam", "closing")
    sources = [folder / "job" / f"{name}.py" for name in names] + [folder / "timing" / "comparison.py"]
    text = "\n".join(source.read_text(encoding="utf-8") for source in sources)
    codes = set(re.findall(r'(?:Blocked|NotComparable|Warn)\(\s*"([a-z]+(?:_[a-z]+)+)"', text))
    codes |= set(re.findall(r', "([a-z]+(?:_[a-z]+)+)", why', text))
    codes |= set(re.findall(r'return "([a-z]+(?:_[a-z]+)+)", \(', text))
    return codes | set(re.findall(r'else "([a-z]+(?:_[a-z]+)+)", why', text))


def codes_tried() -> set[str]:
    """Every word in a test that asks the builder to be blocked by a code; what it names, that test holds."""
    words = set()
    for file in Path(__file__).parent.glob("test_blocks_*.py"):
        for test in ast.parse(file.read_text(encoding="utf-8")).body:
            if isinstance(test, ast.FunctionDef) and "builder.blocked(" in ast.unparse(test):
                words |= {node.value for node in ast.walk(test) if isinstance(node, ast.Constant)}
    return {word for word in words if isinstance(word, str)}


def test_every_block_in_the_sources_is_tried():
    codes = codes_in_the_sources()
    assert len(codes) > 30
    assert codes - NEVER_BLOCKS - codes_tried() == set()
