"""Every form of line that the README's reference lists, byte for byte, as a bench file reads it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from capture.bench import parse_bench

README = Path(__file__).parents[2] / "README.md"
FORMS = re.compile(r"^\| [^|]+ \| `(?P<line>[^`]+)` \| `(?P<keys>frame = [^`]+)` \|$", re.MULTILINE)
EXPECTED = {
    r"+12,345\r": (12345, 3),
    r"-1 234.56\r\n": (-123456, 2),
    r"+12.345 mm\r\n": (12345, 3),
    r"OK+12.345\r\n": (12345, 3),
    r"02+12.345\r\n": (12345, 3),
    r"\x02+12.345\x03": (12345, 3),
    r"+12.345\r": (12345, 3),
    r"+\xb1\xb2.345\x8d": (12345, 3),
}
"""What each listed line says: the digits, and how many of them are decimals."""


def listed() -> list[tuple[str, str]]:
    return [(form["line"], form["keys"]) for form in FORMS.finditer(README.read_text(encoding="utf-8"))]


def decoder_of(keys: str) -> object:
    text = f'[[gauge]]\nname = "dial"\nport = "socket://bench:2000"\n{keys.replace("; ", chr(10))}\n'
    return parse_bench(text.encode()).instruments[0].decoder()


def test_the_reference_lists_every_form_that_is_tested_here() -> None:
    assert {line for line, _ in listed()} == set(EXPECTED)


@pytest.mark.parametrize(("line", "keys"), listed())
def test_a_listed_line_is_read_with_the_keys_listed_beside_it(line: str, keys: str) -> None:
    sent = line.encode().decode("unicode_escape").encode("latin-1")
    decoder = decoder_of(keys)
    frames = decoder.feed(sent * 4)  # type: ignore[attr-defined]
    assert [(frame.value, frame.decimals) for frame in frames] == [EXPECTED[line]] * 3, "all but the first"


@pytest.mark.parametrize(
    ("keys", "wrong"),
    [
        (r"+12.345 mm\r\n", b"+0.4860 in\r\n"),
        (r"OK+12.345\r\n", b"LO+12.345\r\n"),
        (r"02+12.345\r\n", b"01+12.345\r\n"),
        (r"-1 234.56\r\n", b"-1 23.456\r\n"),
        (r"+12,345\r", b"+12,3,45\r"),
    ],
)
def test_another_unit_status_or_channel_is_never_taken_for_the_gauges_own(keys: str, wrong: bytes) -> None:
    decoder = decoder_of(dict(listed())[keys])
    assert decoder.feed(b"\r" + wrong * 3) == []  # type: ignore[attr-defined]
    assert decoder.rejects.rejected == 3  # type: ignore[attr-defined]


def test_a_pattern_that_names_its_control_characters_is_read_as_before() -> None:
    decoder = decoder_of(r"frame = 'pattern'; pattern = '\x02(?P<value>[+-]\d+\.\d+)\x03'")
    (frame,) = decoder.feed(b"\r\n\x02+1.50\x03\r\n")  # type: ignore[attr-defined]
    assert (frame.value, frame.decimals) == (150, 2)
