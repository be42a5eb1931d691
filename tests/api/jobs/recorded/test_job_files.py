"""A job out of one shop and into another, as one file: the same sheet, or a sentence and nothing taken."""

from __future__ import annotations

import io
import json
import subprocess
import zipfile
from pathlib import Path
from typing import Any

import pytest
from command import lobewright

pytestmark = pytest.mark.slow

Fields = dict[str, Any]


def job_zip(shop: Any) -> bytes:
    answer = shop.client.get(f"/api/jobs/{shop.job_id}/job.zip")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-disposition"] == 'attachment; filename="HL-1804-job.zip"'
    return bytes(answer.content)


def take(shop: Any, content: bytes) -> Any:
    return shop.client.post("/api/jobs/from_file", files={"file": ("HL-1804-job.zip", content)})


def without_numbers(sheet: Fields) -> Fields:
    """The sheet without the numbers that a shop gives, which differ from shop to shop."""
    plain = json.loads(json.dumps(sheet))
    for name in ("made_at", "job_id"):
        plain.pop(name)
    for one in plain["measurements"]:
        one.pop("measurement_id")
    for one in plain["facts"]:
        one["what"].pop("measurement_id", None)
    return plain


def changed(content: bytes, name: str, change: Any) -> bytes:
    """The zip with one file changed, or left out where `change` gives `None`."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
        for item in old.namelist():
            data = old.read(item)
            if item == name:
                data = change(data)
            if data is not None:
                new.writestr(item, data)
    return out.getvalue()


def swollen(content: bytes) -> bytes:
    """The zip with a directory that promises more than any disk holds."""
    out = bytearray(content)
    at = content.rindex(b"PK\x01\x02")
    out[at + 24 : at + 28] = (0xF0000000).to_bytes(4, "little")
    at = content.rindex(b"PK\x01\x02", 0, at)
    out[at + 24 : at + 28] = (0xF0000000).to_bytes(4, "little")
    return bytes(out)


def manifest_with(content: bytes, **fields: Any) -> bytes:
    return changed(content, "job.json", lambda data: json.dumps(json.loads(data) | fields).encode())


@pytest.fixture(scope="module")
def exported(signed: Any) -> bytes:
    return job_zip(signed)


def test_a_job_in_another_shop_shows_the_same_sheet(signed: Any, exported: bytes, recorded: Any) -> None:
    other = recorded()
    other.begin()  # so that the numbers of the two shops differ
    answer = take(other, exported)
    assert answer.status_code == 201, answer.text
    number = answer.json()["id"]
    assert number == 2
    here, there = (
        shop.get(f"/api/jobs/{one}/sheet.json") for shop, one in ((signed, signed.job_id), (other, number))
    )
    assert without_numbers(there) == without_numbers(here)
    assert there["signed_by"] == "Ida Thorne"
    numbers = {one["measurement_id"] for one in there["measurements"]}
    own = {
        str(one["id"]) for one in other.get(f"/api/measurements?job_id={number}&limit=1000")["measurements"]
    }
    assert numbers == own
    tables = [
        shop.client.get(f"/api/jobs/{one}/lift_table.csv")
        for shop, one in ((signed, signed.job_id), (other, number))
    ]
    assert [one.status_code for one in tables] == [200, 200]
    assert tables[0].text == tables[1].text


def test_the_traces_of_a_job_file_are_trace_files_with_every_digit(signed: Any, exported: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(exported)) as file:
        told = json.loads(file.read("job.json"))
        for one in told["measurements"]:
            own = signed.client.get(f"/api/measurements/{one['id']}/trace.csv").content
            assert file.read(one["trace"]) == own
        assert json.loads(file.read("sheet.json"))["sheet"] == "lobewright job"


def test_a_job_file_goes_round_again_unchanged(exported: bytes, recorded: Any) -> None:
    other = recorded()
    other.job_id = take(other, exported).json()["id"]
    again = job_zip(other)
    sums = []
    for content in (exported, again):
        with zipfile.ZipFile(io.BytesIO(content)) as file:
            sums.append(
                {name: file.read(name).split(b"\n", 2)[-1] for name in file.namelist() if "trace" in name}
            )
    assert list(sums[0].values()) == list(sums[1].values())


def test_a_refused_measurement_travels_with_its_reason(recorded: Any) -> None:
    """The crank stood still: no number, but the trace and the sentence are the job's all the same."""
    shop, other = recorded(), recorded()
    shop.begin(reference="HL-1808")
    trace = shop.data / "still.csv"
    rows = "".join(f"{k * 0.1},crank_deg,12.05\n{k * 0.1 + 0.05},dial_a_mm,3.21\n" for k in range(60))
    trace.write_text(f"time_s,channel,value\n{rows}")
    taken = shop.client.request(
        "POST",
        "/api/traces",
        files={"file": ("still.csv", trace.read_bytes())},
        data={"touches": "piston_1", "gauge": "dial_a"},
    )
    assert (taken.status_code, taken.json()["state"]) == (201, "refused")
    service = shop.client.app.state.service
    service.shop.write(lambda db: db.execute("UPDATE measurements SET job_id = ?", (shop.job_id,)))
    content = shop.client.get(f"/api/jobs/{shop.job_id}/job.zip").content
    number = take(other, content).json()["id"]
    there = other.get(f"/api/measurements?job_id={number}")["measurements"]
    assert [(one["state"], one["sentence"]) for one in there] == [("refused", taken.json()["sentence"])]
    here = shop.client.get(f"/api/measurements/{taken.json()['id']}/trace.csv").text.splitlines()
    assert (
        other.client.get(f"/api/measurements/{there[0]['id']}/trace.csv").text.splitlines()[-120:]
        == here[-120:]
    )


def test_a_job_that_is_there_already_is_not_taken_twice(signed: Any, exported: bytes) -> None:
    answer = take(signed, exported)
    assert answer.status_code == 409
    assert answer.json()["code"] == "job_there_already"
    assert len(signed.get("/api/jobs")) == 1


@pytest.mark.parametrize(
    ("spoil", "code", "words"),
    [
        (lambda c: b"", "damaged_job_file", "no zip file"),
        (lambda c: c[: len(c) // 2], "damaged_job_file", "its end is missing"),
        (lambda c: c[:3000] + bytes([c[3000] ^ 1]) + c[3001:], "damaged_job_file", "cannot be unpacked"),
        (swollen, "damaged_job_file", "more than any of ours"),
        (lambda c: changed(c, "job.json", lambda data: None), "not_a_job_file", "holds no job.json"),
        (lambda c: changed(c, "job.json", lambda data: data[:-9]), "damaged_job_file", "not JSON"),
        (lambda c: manifest_with(c, version=2, program="9.1"), "newer_job_file", "9.1"),
        (lambda c: manifest_with(c, file="something else"), "not_a_job_file", "does not say"),
        (lambda c: manifest_with(c, facts="none"), "damaged_job_file", "facts"),
        (lambda c: manifest_with(c, job={"reference": "HL-1804"}), "damaged_job_file", "engine"),
        (
            lambda c: changed(c, "sheet.json", lambda data: data + b" "),
            "damaged_job_file",
            "sheet.json is not",
        ),
        (
            lambda c: changed(c, "traces/trace-00001-piston_1.csv", lambda data: None),
            "damaged_job_file",
            "trace-00001-piston_1.csv is missing",
        ),
    ],
)
def test_a_damaged_or_newer_job_file_is_refused_and_nothing_is_taken(
    exported: bytes, recorded: Any, spoil: Any, code: str, words: str
) -> None:
    shop = recorded()
    answer = take(shop, spoil(exported))
    assert answer.status_code == 422, answer.text
    told = answer.json()
    assert told["code"] == code
    assert words in told["message"]
    assert shop.get("/api/jobs") == []
    assert shop.get("/api/measurements")["measurements"] == []
    assert list((shop.data / "imported").glob("*")) == []


def test_a_job_that_is_not_there_cannot_be_exported(signed: Any) -> None:
    answer = signed.client.get("/api/jobs/99/job.zip")
    assert (answer.status_code, answer.json()["code"]) == (404, "no_such_job")


def test_commands_carry_a_job_without_a_service(exported: bytes, tmp_path: Path) -> None:
    """A good file and a damaged one in one call: the good one is taken; then it is written out again."""
    good, bad, data = tmp_path / "good.zip", tmp_path / "bad.zip", tmp_path / "data"
    good.write_bytes(exported)
    bad.write_bytes(exported[:-400])

    def call(*words: str) -> subprocess.CompletedProcess[str]:
        return lobewright(*words, "--data", str(data))

    taken = call("import", str(good), str(bad))
    assert taken.stdout == f"{good}: job 1, HL-1804.\n", taken.stderr
    assert taken.returncode == 2
    assert taken.stderr.startswith(f"lobewright: {bad}: the job file is damaged")
    assert len(taken.stderr.splitlines()) == 1
    written = call("export", "--job", "1", "--job", "7", "--to", str(tmp_path / "out"))
    assert written.returncode == 2
    assert written.stderr == "lobewright: There is no job 7; see the list of jobs.\n"
    with zipfile.ZipFile(tmp_path / "out" / "HL-1804-job.zip") as file:
        assert json.loads(file.read("job.json"))["at"] == json.loads(_manifest(exported))["at"]


def _manifest(content: bytes) -> bytes:
    with zipfile.ZipFile(io.BytesIO(content)) as file:
        return file.read("job.json")
