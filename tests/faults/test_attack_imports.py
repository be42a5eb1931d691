"""Faults 31, 33, 34, 40, 41 and 46: what files from elsewhere can do to a shop that runs."""

from __future__ import annotations

import functools
import io
import json
import sqlite3
import struct
import threading
import time
import zipfile
from collections.abc import Iterator
from contextlib import closing
from typing import Any

import httpx
import pytest
from running import RunningShop, job_file, plain_job, running, send_job, still_trace
from running import measured as told_of

pytestmark = pytest.mark.faults
Fields = dict[str, Any]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningShop]:
    with running(tmp_path_factory.mktemp("shop")) as one:
        yield one


@pytest.fixture(scope="module")
def client(shop: RunningShop) -> Iterator[httpx.Client]:
    with shop.client() as one:
        yield one


@pytest.fixture(scope="module")
def exported(client: httpx.Client) -> bytes:
    """A job of the shop as a file, the job itself thrown away."""
    number = plain_job(client)
    content = client.get(f"/api/jobs/{number}/job.zip").content
    assert client.delete(f"/api/jobs/{number}").status_code < 300
    return content


def begun(exported: bytes, second: int, **fields: Any) -> bytes:
    """The job file as of a job begun at another second: another job."""
    traces = [told_of(1, "traces/one.csv"), told_of(2, "traces/two.csv", touches="piston_4")]
    return job_file(exported, traces, at=f"2026-11-20T08:00:{second:02}.000+00:00", **fields)


def at_once(calls: list[Any]) -> list[Any]:
    answers: list[Any] = [None] * len(calls)
    barrier = threading.Barrier(len(calls))

    def call(place: int) -> None:
        barrier.wait()
        answers[place] = calls[place]()

    threads = [threading.Thread(target=call, args=(place,)) for place in range(len(calls))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return answers


def missing_traces(shop: RunningShop) -> list[str]:
    with closing(sqlite3.connect(f"{(shop.data / 'shop.db').as_uri()}?mode=ro", uri=True)) as db:
        names = [row[0] for row in db.execute("SELECT imported_file FROM measurements") if row[0]]
    return [name for name in names if not (shop.data / "imported" / name).exists()]


def test_the_same_job_file_five_times_at_once_makes_one_job(
    shop: RunningShop, client: httpx.Client, exported: bytes, measured: Any
) -> None:
    content = begun(exported, 1)
    answers = at_once([lambda: send_job(client, content)] * 5)
    assert sorted(one.status_code for one in answers) == [201, 409, 409, 409, 409]
    assert {one.json().get("code") for one in answers} == {None, "job_there_already"}
    assert missing_traces(shop) == []
    measured(31, "imports at once, one spoilt", "five of the same: one job, four told so")
    measured(41, "the same job file again", "told the number of the job that is there")


def test_a_spoilt_import_beside_a_good_one_that_shares_its_traces_takes_nothing_from_it(
    shop: RunningShop, client: httpx.Client, exported: bytes
) -> None:
    for second in range(10, 16, 2):
        good, bad = begun(exported, second), begun(exported, second + 1, adoptions=[{"measurement_id": 1}])
        lost = begun(exported, second + 1, facts=[{"number": 7}])
        answers = at_once([functools.partial(send_job, client, one) for one in (lost, good, bad)])
        assert [one.status_code for one in answers] == [422, 201, 422], [one.text for one in answers]
        assert missing_traces(shop) == []
        job = answers[1].json()["id"]
        for one in client.get(f"/api/measurements?job_id={job}").json()["measurements"]:
            assert client.get(f"/api/measurements/{one['id']}/trace.csv").status_code == 200
    assert not list(shop.data.glob(".import-*")) + list(shop.data.glob(".upload-*"))


def test_the_same_trace_five_times_at_once_makes_one_measurement(
    shop: RunningShop, client: httpx.Client
) -> None:
    trace = still_trace(7).encode()

    def send() -> httpx.Response:
        fields = {"touches": "piston_1", "gauge": "dial_a"}
        return client.post("/api/traces", files={"file": ("t.csv", trace)}, data=fields)

    answers = at_once([send] * 5)
    assert sorted(one.status_code for one in answers) == [201, 409, 409, 409, 409]
    assert missing_traces(shop) == []


def test_what_a_job_file_says_of_a_gauge_is_never_believed_of_this_benchs(
    shop: RunningShop, client: httpx.Client, exported: bytes, measured: Any
) -> None:
    from api.records import MeasurementReader
    from api.store import ShopReader

    assert send_job(client, begun(exported, 20)).status_code == 201
    reader = MeasurementReader(ShopReader(shop.data))
    assert any(one.gauge == "dial_a" and one.what == "tdc" for one in reader.listed())
    assert reader.last_tdc(gauge="dial_a") is None
    assert reader.last_tdc() is None
    measured(33, "a job file that claims a lag for this bench's gauge", "not taken over")


def test_a_true_tdc_by_hand_from_elsewhere_proves_no_zero_here(
    shop: RunningShop, client: httpx.Client, exported: bytes
) -> None:
    from analysis.job import job_state
    from api.measure import zero_proof
    from api.records import JobReader, MeasurementReader
    from api.store import ShopReader
    from capture.store import StreamReader

    facts = [
        {"kind": "bench_checked", "turn_deg": 360.0, "gauges": ["dial_a"], "gauge_signs": [1]},
        {"kind": "tdc_measured", "cylinder": "1", "centre_deg": 33.0, "u95_deg": 0.3, "by_hand": True},
    ]
    when = "2026-11-20T08:00:00.000+00:00"
    told = [
        {"number": place, "at": when, "by": "Ida Thorne", "what": what, "source": None}
        for place, what in enumerate(facts, 1)
    ]
    answer = send_job(client, begun(exported, 22, facts=told))
    assert answer.status_code == 201, answer.text
    read = ShopReader(shop.data)
    jobs = JobReader(read)
    row, own = jobs.job(answer.json()["id"]), jobs.facts(answer.json()["id"])
    assert row.facts_from_elsewhere == 2
    state = job_state(row.job, own)
    assert state.tdc_deg is not None
    streams, measurements = StreamReader(shop.data), MeasurementReader(read)
    here = zero_proof(state, own, measurements, streams, run_id=1)
    there = zero_proof(state, own, measurements, streams, run_id=1, from_elsewhere=2)
    assert (here.state, there.state) == ("stands", "unproved")


DEEP = json.loads("[" * 200 + "]" * 200)
HOSTILE: dict[str, Any] = {
    "an empty result": {"measurements": [told_of(1, "traces/one.csv", result={})]},
    "a result of words": {"measurements": [told_of(1, "traces/one.csv", result={"centre_deg": "12"})]},
    "no number in a result": {
        "measurements": [
            told_of(1, "traces/one.csv", result={"centre_deg": None, "u95_deg": 0.1, "lag_s": 0.0})
        ]
    },
    "passes that are none": {
        "measurements": [
            told_of(
                1,
                "traces/one.csv",
                result={"centre_deg": 1.0, "u95_deg": 0.1, "lag_s": 0.0, "passes": [1, "two"]},
            )
        ]
    },
    "settings of words": {"measurements": [told_of(1, "traces/one.csv", settings={"stroke_mm": "long"})]},
    "facts of words": {"measurements": [told_of(1, "traces/one.csv", facts={"lag_s": [1]})]},
    "a huge number": {"measurements": [told_of(2**60, "traces/one.csv")]},
    "a duration that no file can hold": {"measurements": [told_of(1, "traces/one.csv", duration_ns=2**62)]},
    "a path for a gauge": {"measurements": [told_of(1, "traces/one.csv", gauge="a\r\nb")]},
    "a time that is none": {"at": "yesterday"},
    "a surrogate": {"by": "\ud800"},
    "deep JSON": {"facts": [{"number": 1, "at": "x", "by": "", "what": {"kind": DEEP}, "source": None}]},
    "a source of another kind": {
        "facts": [
            {
                "number": 1,
                "at": "2026-11-20T08:00:00+00:00",
                "by": "",
                "what": {"kind": "noted", "text": "x"},
                "source": {"by_hand": True, "curve": [["a", "b"]], "gauge_step_mm": "fine"},
            }
        ]
    },
}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_job_file_is_refused_whole_in_one_sentence(
    shop: RunningShop, client: httpx.Client, exported: bytes, what: str
) -> None:
    fields = dict(HOSTILE[what])
    own = fields.pop("measurements", [])
    before = client.get("/api/jobs").json()
    answer = send_job(client, job_file(exported, own, **({"at": "2026-11-20T09:00:00+00:00"} | fields)))
    assert answer.status_code == 422, (what, answer.text)
    assert answer.json()["code"] == "damaged_job_file"
    assert len(answer.json()["message"]) < 700
    assert client.get("/api/jobs").json() == before


def engine_with(exported: bytes, **changes: Any) -> Fields:
    with zipfile.ZipFile(io.BytesIO(exported)) as file:
        job: Fields = json.loads(file.read("job.json"))["job"]
    return job | {"engine": job["engine"] | changes}


def test_a_job_of_800_cylinders_or_with_names_that_cannot_be_shown_is_refused(
    client: httpx.Client, exported: bytes, measured: Any
) -> None:
    cylinders = [f"{letter}{n}" for letter in "ABCDEFGHIJ" for n in range(1, 81)]
    for changes in (
        {"cylinders": cylinders, "firing_order": cylinders},
        {"name": "Tarn\r\nSet-Cookie: a=b"},
        {"name": "\u200b\u2060\u3164"},
        {"cams": []},
        {"stroke_mm": 1e300, "rod_mm": 1.0},
    ):
        began_s = time.monotonic()
        answer = send_job(client, job_file(exported, job=engine_with(exported, **changes)))
        assert answer.status_code == 422, answer.text
        took_s = time.monotonic() - began_s
    measured(34, "hostile job files", f"each refused whole; the last in {took_s:.2f} s")


def test_numbers_that_are_none_and_words_nested_without_end_are_refused(
    client: httpx.Client, exported: bytes
) -> None:
    for spoilt in (
        b'{"file": "lobewright job", "version": 1, "x": NaN}',
        b'{"file": "lobewright job", "version": 1, "x": 1e999}',
        b'{"file": "lobewright job", "x": ' + b"[" * 100_000 + b"]" * 100_000 + b"}",
        b'{"file": "lobewright job", "x": "\\ud800"}',
        b"\xff\xfe",
    ):
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as file:
            file.writestr("job.json", spoilt)
        answer = send_job(client, out.getvalue())
        assert (answer.status_code, answer.json()["code"]) == (422, "damaged_job_file"), answer.text


def bomb(exported: bytes) -> bytes:
    """Under a megabyte that unpacks to 900 MB."""
    out = io.BytesIO(exported)
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as file, file.open("traces/a.csv", "w") as one:
        nothing = bytes(1 << 20)
        for _ in range(900):
            one.write(nothing)
    return out.getvalue()


def crowded(files: int) -> bytes:
    """A zip whose directory names so many empty files, written without any of them."""
    entry = struct.pack(
        "<4s6H3L5H2L4s", b"PK\x01\x02", 20, 20, 0, 0, 0, 0, 0, 0, 0, 4, 0, 0, 0, 0, 0, 0, b"aaaa"
    )
    directory = entry * files
    few = min(files, 0xFFFF)
    return directory + struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, few, few, len(directory), 0, 0)


def test_a_file_that_unpacks_to_hundreds_of_megabytes_is_refused_before_anything_is_written(
    shop: RunningShop, client: httpx.Client, exported: bytes, measured: Any
) -> None:
    content = bomb(exported)
    assert len(content) < 2_000_000
    for spoilt, words in ((content, "unpack to"), (crowded(10**6), "more files")):
        began_s = time.monotonic()
        answer = send_job(client, spoilt)
        took_s = time.monotonic() - began_s
        assert (answer.status_code, answer.json()["code"]) == (422, "damaged_job_file"), answer.text
        assert words in answer.json()["message"]
    assert not [path for path in shop.data.rglob("*") if path.stat().st_size > 50_000_000]
    measured(40, "0.9 MB that unpack to 900 MB; a million entries", f"refused, the second in {took_s:.2f} s")


def test_a_trace_file_whose_comment_is_hostile_is_refused_or_taken_whole(client: httpx.Client) -> None:
    for place, told in enumerate(
        (
            '{"touches": "piston_1", "facts": {"step_mm": "wide"}}',
            '{"touches": "piston_1", "settings": [1], "facts": 7, "started_at": "\\ud800"}',
            '{"touches": ' + "[" * 5000 + "]" * 5000 + "}",
            '{"touches": "piston_1", "facts": {"lag_s": 1e999}}',
            '{"touches": "piston_1", "started_at": {"a": 1}, "settings": {"stroke_mm": {"a": 1}}}',
        )
    ):
        text = f"# measurement {told}\n{still_trace(20 + place)}"
        answer = client.post("/api/traces", files={"file": ("t.csv", text.encode())})
        assert answer.status_code in {201, 422}, answer.text
        if answer.status_code == 201:
            number = answer.json()["id"]
            assert client.get(f"/api/measurements/{number}").status_code == 200


def test_every_job_and_every_trace_of_the_shop_can_still_be_opened(
    shop: RunningShop, client: httpx.Client
) -> None:
    jobs = client.get("/api/jobs?limit=500").json()
    assert jobs
    for job in jobs:
        for path in (f"/api/jobs/{job['id']}", f"/api/jobs/{job['id']}/sheet.json", f"/jobs/{job['id']}"):
            answer = client.get(path)
            assert answer.status_code == 200, (path, answer.text)
    assert missing_traces(shop) == []
    assert "Traceback" not in shop.log()
