"""Lift tables as people type and paste them."""

from __future__ import annotations

import pytest

from api.base import MisuseError
from api.measure import lift_table_of


@pytest.mark.parametrize(
    "text",
    [
        "-10 7.95\n0 8.00",
        "deg;lift\n-10;7,95\n0;8,00\n",
        "-10\t7.95\r\n0\t8.0",
        "# card\n\n-10, 7.95\n0, 8.00",
        "-10,7.95\n0,8.00",
        "−10 7,95\n0 8,00",
    ],
)
def test_a_table_is_read_however_its_columns_stand_apart(text: str) -> None:
    assert lift_table_of(text) == [(-10.0, 7.95), (0.0, 8.0)]


def test_inches_become_mm() -> None:
    assert lift_table_of("0 0.35", "in") == [(0.0, 8.89)]


@pytest.mark.parametrize(
    ("text", "says"), [("1 2\n3", "Line 2"), ("1 2\n3 4 5", "Line 2"), ("1 x2", "Line 1")]
)
def test_a_line_that_is_no_pair_is_named(text: str, says: str) -> None:
    with pytest.raises(MisuseError) as refused:
        lift_table_of(text)
    assert says in refused.value.message
