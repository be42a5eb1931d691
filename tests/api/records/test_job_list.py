"""The list of jobs: newest first, page by page without one lost or twice, found by every word as it is typed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.timing import Cam, CamCard, Engine, Job, LobeCard
from api.records import JobReader, delete_job, keep_job
from api.store import ShopStore

CAMS = (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",)))
CARD = CamCard("Fell 248", "full_lift", LobeCard(108.0, 1.27), LobeCard(112.0, 1.27))
CUSTOMERS = ("Merrick", "Oskar Lindqvist", "50% Works", "A_B Motors")


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[ShopStore]:
    store = ShopStore(tmp_path)
    yield store
    store.close()


@pytest.fixture
def jobs(shop: ShopStore) -> JobReader:
    for number in range(23):
        engine = Engine("Tarn 1.8" if number % 2 else "Fell 500", ("1",), ("1",), CAMS)
        job = Job(f"HL-{number:04}", engine, CARD, customer=CUSTOMERS[number % 4])
        shop.write(lambda db, job=job: keep_job(db, job, None, None, "Ida"))
    # Changed in the same moment: their numbers alone tell them apart.
    shop.write(
        lambda db: db.execute("UPDATE jobs SET changed_at = '2026-11-20T08:00:00+00:00' WHERE id < 12")
    )
    return JobReader(shop.read)


def names(found: list) -> list[str]:
    return [one.job.reference for one in found]


def test_page_by_page_every_job_comes_once(shop: ShopStore, jobs: JobReader) -> None:
    whole = names(jobs.jobs(limit=100))
    assert whole == [f"HL-{number:04}" for number in reversed(range(23))]
    pages, before = [], None
    while some := jobs.jobs(limit=5, before=before):
        pages += names(some)
        before = some[-1].id
        if len(pages) == 10:
            shop.write(
                lambda db, gone=before: delete_job(db, gone, "Ida")
            )  # what was looked at last goes meanwhile
    assert pages == whole


def test_every_word_is_looked_for_by_itself_and_means_itself(jobs: JobReader) -> None:
    both = jobs.jobs("merrick  fell")
    assert both
    assert {(one.job.customer, one.job.engine.name) for one in both} == {("Merrick", "Fell 500")}
    assert jobs.jobs("Merrick Tarn") == []
    assert {one.job.customer for one in jobs.jobs("50%")} == {"50% Works"}
    assert {one.job.customer for one in jobs.jobs("A_B")} == {"A_B Motors"}
    assert names(jobs.jobs("merrick", limit=2, before=jobs.jobs("merrick", limit=2)[-1].id)) == [
        "HL-0012",
        "HL-0008",
    ]
