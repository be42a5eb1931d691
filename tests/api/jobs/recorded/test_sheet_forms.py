"""The sheet's forms say the same: page, PDF, CSV and JSON of one job."""

from __future__ import annotations

import csv
import html
import io
import re
import subprocess
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest

pytestmark = pytest.mark.slow

Fields = dict[str, Any]


class Tables(HTMLParser):
    """Texts of the cells of every table with a heading, and of everything else."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: list[list[list[str]]] = []
        self.words: list[str] = []
        self._cell = False

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in {"td", "th"}:
            self.tables[-1][-1].append("")
            self._cell = True

    def handle_endtag(self, tag: str) -> None:
        self._cell = self._cell and tag not in {"td", "th"}

    def handle_data(self, data: str) -> None:
        self.words.append(data)
        if self._cell:
            self.tables[-1][-1][-1] += data


@pytest.fixture(scope="module")
def forms(signed: Any) -> Fields:
    path = f"/api/jobs/{signed.job_id}/sheet"
    texts = {form: signed.client.get(f"{path}.{form}") for form in ("json", "csv", "html", "pdf")}
    assert {answer.status_code for answer in texts.values()} == {200}
    page = Tables()
    page.feed(texts["html"].text)
    pdf = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=texts["pdf"].content, capture_output=True, check=True
    )
    return {
        "json": texts["json"].json(),
        "csv": list(csv.DictReader(io.StringIO(texts["csv"].text))),
        "page": page,
        "pdf": re.sub(r"\s+", " ", pdf.stdout.decode()),
    }


def test_the_csv_holds_every_measurement_of_the_json_with_every_digit(forms: Fields) -> None:
    measurements = forms["json"]["measurements"]
    assert len(forms["csv"]) == len(measurements) == 10
    for row, one in zip(forms["csv"], measurements, strict=True):
        for name in set(row) & set(one):
            told = one[name]
            if isinstance(told, bool):
                assert row[name] == ("yes" if told else "no")
            elif isinstance(told, float):
                assert float(row[name]) == told
            else:
                assert row[name] == ("" if told is None else str(told))
        assert row["job"] == forms["json"]["job"]["reference"]


def test_page_and_pdf_show_every_measurement_of_the_json(forms: Fields) -> None:
    table = next(table for table in forms["page"].tables if table[0][0] == "No.")
    head = table[0]
    for cells, one in zip(table[1:], forms["json"]["measurements"], strict=True):
        row = dict(zip(head, cells, strict=True))
        assert row["No."] == str(one["fact"])
        assert row["±"] == f"{one['u95_deg']:.2f}"
        assert f"{one['value_deg']:.2f}" in row["Found"]
        assert row["State"] == (one["stage"] or "–")
        assert row["Trace"] == one["measurement_id"]
        shown = (
            f"{one['value_deg']:.2f} {one['side']}" if one["what"] == "lobe" else f"{one['value_deg']:.2f}°"
        )
        assert f"{one['fact']} {row['Time']} {row['What']}" in forms["pdf"]
        assert shown in forms["pdf"]


def test_each_cam_stands_on_page_and_pdf_as_found_and_as_left(forms: Fields) -> None:
    words = " ".join(" ".join(forms["page"].words).split())
    for cam in forms["json"]["cams"]:
        assert cam["left"] == "in"
        for line in (*cam["as_found"], *cam["as_left"]):
            assert line in words
            assert line in forms["pdf"]
        assert "±" in cam["as_found"][0]


@pytest.mark.parametrize("form", ["page", "pdf"])
def test_what_was_skipped_done_signed_and_warned_of_is_on_every_form(forms: Fields, form: str) -> None:
    sheet = forms["json"]
    words = " ".join(" ".join(forms["page"].words).split()) if form == "page" else forms["pdf"]
    reasons = [one["reason"] for one in sheet["departures"]]
    assert reasons == [
        "The encoder was proved this morning.",
        "The block went back on the stand & was <locked>.",
    ]
    happened = [one["words"] for one in sheet["happenings"]]
    assert any("torqued to 25 Nm, thread-lock" in one for one in happened)
    told = [sheet["result"], *reasons, sheet["statement"], sheet["signed_by"], *sheet["cautions"]]
    for line in (*told, "k = 2"):
        assert line in words, line
    for one in sheet["piston"]:
        assert f"{one['least_mm']:.2f} ± {one['u95_mm']:.2f}" in words
        for row in one["table"]:
            if abs(row["shift_deg"]) in {5.0, 10.0}:
                assert f"{row['least_mm']:.2f}{'' if row['enough'] else ' !'}" in words


def test_words_of_the_builder_are_text_on_the_page(signed: Any) -> None:
    text = signed.client.get(f"/api/jobs/{signed.job_id}/sheet.html").text
    assert "<locked>" not in text
    assert html.escape("stand & was <locked>") in text


def test_before_and_after_follow_from_the_facts_alone(forms: Fields) -> None:
    """Every number of the short table, computed again from the facts with nothing but the firing order."""
    facts = [one["what"] for one in forms["json"]["facts"] if one["what"]["kind"] == "lobe_measured"]
    for cam in forms["json"]["cams"]:
        own = [one for one in facts if one["valve"] == cam["cam"]]
        for line, fact in ((cam["as_found"][0], own[0]), (cam["as_left"][0], own[-1])):
            centre = fact["centre_deg"] if cam["cam"] == "inlet" else 720 - fact["centre_deg"]
            assert f"{centre:.2f} ± {fact['u95_deg']:.2f}" in line


def test_the_lift_table_is_that_of_the_simulated_metal_degree_by_degree(signed: Any) -> None:
    answer = signed.client.get(f"/api/jobs/{signed.job_id}/lift_table.csv")
    assert answer.status_code == 200
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [float(row["crank_deg"]) for row in rows] == list(range(720))
    for row in rows[::7]:
        crank = np.asarray(float(row["crank_deg"]))
        for valve in ("inlet", "exhaust"):
            true = float(signed.engine.valve_lift_mm(f"{valve}_1", crank))
            assert float(row[f"{valve}_1_lift_mm"]) == pytest.approx(true, abs=0.02)
        below = float(signed.engine.piston_below_top_mm(1, crank))
        assert float(row["piston_1_below_top_mm"]) == pytest.approx(below, abs=2e-3)
