"""`lobewright shop` as it is run: what it serves, whom it lets in, what it says of benches, what it refuses to begin."""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
from command import lobewright
from kept_shop import add_job
from on_file import bench_of_archive
from postgres import Server
from running_pages import RunningPages
from waiting import until

from api.base import ServiceConfig
from api.cli.routes import served_by_shop
from api.forwarding import LiveWord, Teller, prepare
from api.shop import Benches, create_shop_app
from api.web import create_app

Send = Callable[[Path, str], None]
PASSWORD = "brass ferrule 77"
STRANGER = ("192.168.7.66", 50_000)
WORD = LiveWord(reads="live", sentence="Turn slowly over the top.", number=107.5, unit="deg", interval=0.12)


@pytest.fixture
def pages(reader: str, send: Send, tmp_path: Path) -> Iterator[RunningPages]:
    for name in ("east", "west"):
        add_job(tmp_path / name)
        send(tmp_path / name, name)
    running = RunningPages(reader, tmp_path)
    until(lambda: running.get("/api/shop/benches")["jobs"] == 2, "both benches are copied")
    yield running
    running.stop()


def test_a_shop_serves_the_pages_of_each_bench(pages: RunningPages) -> None:
    found = pages.get("/api/shop/jobs")["jobs"]
    assert {one["bench"] for one in found} == {"east", "west"}
    for one in found:
        of = f"/of/{one['bench']}"
        job = pages.get(f"{of}/api/jobs/{one['id']}")
        assert job["job"]["reference"] == one["reference"]
        page = httpx.get(f"{pages.url}{of}/jobs/{one['id']}").text
        assert f'data-root="{of}"' in page
        assert f'href="{of}/traces"' in page
        assert f"Copy of {one['bench']}" in page
        sheet = httpx.get(f"{pages.url}{of}/api/jobs/{one['id']}/sheet.html", timeout=60)
        assert sheet.status_code == 200
        assert f'href="{of}/api/jobs/{one["id"]}/sheet.pdf"' in sheet.text
        traces = pages.get(f"{of}/api/measurements?state=finished")["measurements"]
        assert pages.get(f"{of}/api/measurements/{traces[0]['id']}/trace")["curve"]
    assert httpx.get(f"{pages.url}/of/east", follow_redirects=True).status_code == 200
    listed = [one.path.replace("{bench}", "east") for one in served_by_shop() if one.method == "GET"]
    for path in (path for path in listed if "{" not in path and not path.startswith("/pair")):
        answer = httpx.get(pages.url + path, timeout=60)
        assert answer.status_code in {200, 422}, path  # some want words with the question
    lobes = pages.get("/api/shop/traces?what=lobe&but=east")["traces"]
    assert {one["bench"] for one in lobes} == {"west"}
    assert httpx.get(f"{pages.url}/of/nowhere/jobs").json()["message"].endswith("it has east, west.")
    assert httpx.get(f"{pages.url}/of/east/wall").status_code == 404
    assert pages.log.read_text().count("\n") == 1  # where it is, and nothing else


def test_a_server_that_goes_is_told_and_what_was_copied_is_still_shown(
    server: Server, pages: RunningPages
) -> None:
    server.kill()
    try:
        told = until(
            lambda: (view := pages.get("/api/shop/benches"))["trouble"] and view, "the shop has noticed"
        )
        assert "archive" in told["trouble"]
        assert len(pages.get("/api/shop/jobs")["jobs"]) == 2
        assert pages.get("/of/east/api/jobs")[0]["reference"]
    finally:
        server.start()
    until(lambda: not pages.get("/api/shop/benches")["trouble"], "the shop is back")


# -- who may


async def status_of(benches: Benches, config: ServiceConfig, caller: tuple[str, int], path: str) -> int:
    transport = httpx.ASGITransport(create_shop_app(config, benches), client=caller)
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as web:
        return (await web.get(path)).status_code


@pytest.mark.parametrize(
    "path", ["/", "/api/shop/jobs", "/api/shop/benches", "/of/east/jobs", "/of/east/api/jobs"]
)
def test_a_stranger_looks_only_where_looking_was_opened(
    benches: Benches, send: Send, tmp_path: Path, path: str
) -> None:
    add_job(tmp_path / "east")
    send(tmp_path / "east", "east")
    benches.step()
    closed = ServiceConfig(tmp_path / "cache", viewing_open=False, several=True)
    opened = ServiceConfig(tmp_path / "cache", viewing_open=True, several=True)
    assert asyncio.run(status_of(benches, closed, STRANGER, path)) in {401, 303}
    assert asyncio.run(status_of(benches, opened, STRANGER, path)) == 200
    assert asyncio.run(status_of(benches, closed, ("127.0.0.1", 5), path)) == 200


@pytest.mark.parametrize(
    "query",
    [
        "words=%00",
        "words=a%00bcd",
        "words=" + "x" * 121,
        "limit=0",
        "limit=x",
        "before=-1",
        "before=1e9",
        "engine=%07",
    ],
)
def test_a_question_that_makes_no_sense_is_refused(benches: Benches, tmp_path: Path, query: str) -> None:
    config = ServiceConfig(tmp_path / "cache", several=True)
    path = f"/api/shop/jobs?{query}"
    assert asyncio.run(status_of(benches, config, ("127.0.0.1", 5), path)) == 422


@pytest.mark.parametrize(
    "words", ['"', "*", "a*b", "NEAR(x y)", "-abc", "text:abc", "OR", "(((", "'; --", "%%%", "^abc"]
)
def test_signs_of_the_index_are_words_like_others(benches: Benches, words: str) -> None:
    assert benches.index.found(words) == []


def test_a_shop_is_for_this_machine_alone_unless_told_otherwise() -> None:
    told = lobewright("shop", "--help").stdout
    assert "[default: 127.0.0.1]" in " ".join(told.split())
    assert "[default: code]" in " ".join(told.split())


# -- what a bench says of itself


def identity_of(server: Server, archive: str, name: str) -> str:
    with psycopg.connect(server.url(archive)) as owner:
        row = owner.execute("SELECT identity FROM lobewright.benches WHERE name = %s", (name,)).fetchone()
    assert row is not None
    return str(row[0])


def test_a_bench_is_heard_and_grows_stale(
    server: Server, archive: str, benches: Benches, send: Send, tmp_path: Path
) -> None:
    add_job(tmp_path / "east")
    send(tmp_path / "east", "east")
    mine = identity_of(server, archive, "east")
    teller = Teller(lambda: mine, server.url(archive, "lobewright_east"), "east")
    benches.step()
    assert [(one.name, one.word, one.heard_s, one.stale) for one in benches.lines()] == [
        ("east", None, None, True),
        ("west", None, None, True),
    ]
    for number in (107.5, 108.0):
        teller.say(WORD.model_copy(update={"number": number}))
        assert teller.step()
    teller.close()
    benches.step()
    heard = benches.lines()[0]
    assert heard.word is not None
    assert (heard.word.number, heard.word.sentence) == (108.0, WORD.sentence)
    with psycopg.connect(server.url(archive)) as owner:
        assert owner.execute("SELECT count(*) FROM lobewright.live").fetchone() == (1,)
        owner.execute("UPDATE lobewright.live SET at = at - interval '3 minutes'")
    benches.step()
    old = benches.lines()[0]
    assert old.stale
    assert old.heard_s is not None
    assert old.heard_s >= 180


def test_a_service_that_runs_is_heard(server: Server, archive: str, benches: Benches, tmp_path: Path) -> None:
    add_job(tmp_path / "east")
    bench = tmp_path / "bench.toml"
    bench.write_text(bench_of_archive(server.url(archive, "lobewright_east"), "east"), encoding="utf-8")
    config = ServiceConfig(tmp_path / "east", bench, host="0.0.0.0", port=8731)

    def heard() -> Any:
        benches.step()
        return benches.lines()[0].word

    async def run() -> LiveWord:
        app = create_app(config)
        async with app.router.lifespan_context(app):
            return await asyncio.to_thread(until, heard, "the bench is heard")

    word = asyncio.run(run())
    assert word.reads == "stopped"  # nothing captures here
    assert word.sentence
    assert word.address == "" or word.address.endswith(":8731")
    assert "127.0.0.1" not in word.address


@pytest.mark.parametrize("which", ["another bench's name", "another folder", "nobody's role"])
def test_nobody_speaks_for_another_bench(
    server: Server, archive: str, send: Send, tmp_path: Path, which: str
) -> None:
    for name in ("east", "west"):
        add_job(tmp_path / name)
        send(tmp_path / name, name)
    mine, name, role = identity_of(server, archive, "east"), "east", "lobewright_east"
    if which == "another bench's name":
        mine, name = identity_of(server, archive, "west"), "west"
    elif which == "another folder":
        mine = str(uuid.uuid4())
    else:
        role = "owner"
    teller = Teller(lambda: mine, server.url(archive, role), name)
    teller.say(WORD)
    assert not teller.step()
    teller.close()
    with psycopg.connect(server.url(archive)) as owner:
        assert owner.execute("SELECT count(*) FROM lobewright.live").fetchone() == (0,)


@pytest.mark.parametrize("role", ["lobewright_east", "lobewright_reader"])
@pytest.mark.parametrize("words", ["UPDATE lobewright.live SET told = '{}'", "DELETE FROM lobewright.live"])
def test_the_database_lets_nobody_else_change_what_a_bench_said(
    server: Server, archive: str, role: str, words: str
) -> None:
    with (
        psycopg.connect(server.url(archive, role)) as connection,
        pytest.raises(psycopg.errors.InsufficientPrivilege),
    ):
        connection.execute(words.encode())


def test_long_words_are_cut_so_that_they_can_be_told(
    server: Server, archive: str, send: Send, tmp_path: Path
) -> None:
    add_job(tmp_path / "east")
    send(tmp_path / "east", "east")
    mine = identity_of(server, archive, "east")
    teller = Teller(lambda: mine, server.url(archive, "lobewright_east"), "east")
    teller.say(LiveWord(reads="live", sentence="ü" * 50_000, health="x" * 50_000, job="y" * 50_000))
    assert teller.step()
    teller.close()


# -- what it refuses to begin

REFUSED: dict[str, tuple[Callable[[Server], str], str]] = {
    "no address": (lambda server: "postgresql://[", "cannot be read"),
    "nobody there": (lambda server: "postgresql://127.0.0.1:9/shop", "cannot be reached"),
    "no such database": (lambda server: server.url("nothing"), "cannot be reached"),
    "no archive": (lambda server: server.url("postgres"), "is no archive"),
    "a bench's role": (lambda server: server.url("shop", "lobewright_east"), "signs in as lobewright_reader"),
    "a password in the address": (
        lambda server: f"postgresql://lobewright_reader:{PASSWORD.replace(' ', '%20')}@nowhere/shop",
        "must not hold the password",
    ),
}


@pytest.mark.parametrize("which", REFUSED)
def test_a_shop_says_in_one_sentence_why_it_does_not_begin(
    server: Server, archive: str, tmp_path: Path, which: str
) -> None:
    address, words = REFUSED[which]
    done = lobewright("shop", "--archive", address(server), "--data", str(tmp_path / "cache"), "--port", "0")
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stderr.count("\n") == 1
    assert "brass" not in done.stderr


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("INSERT INTO lobewright.migrations VALUES (99)", "update this program"),
        ("DELETE FROM lobewright.migrations WHERE number > 1", "prepare again"),
    ],
)
def test_an_archive_of_another_version_says_which_to_upgrade(
    server: Server, archive: str, tmp_path: Path, change: str, words: str
) -> None:
    with psycopg.connect(server.url(archive)) as owner:
        owner.execute(change.encode())
    done = lobewright(
        "shop", "--archive", server.url(archive), "--data", str(tmp_path / "cache"), "--port", "0"
    )
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert words in done.stderr


def test_an_archive_of_the_first_version_is_brought_up_with_what_is_in_it(
    server: Server, archive: str, send: Send, tmp_path: Path
) -> None:
    add_job(tmp_path / "east")
    send(tmp_path / "east", "east")
    back = (
        "DROP VIEW lobewright.shared, lobewright.coming, lobewright.given; DROP INDEX lobewright.documents_shared;"
        "DROP FUNCTION lobewright.tell_of_shared, lobewright.still_held CASCADE;"
        "DROP FUNCTION lobewright.hand_over, lobewright.took, lobewright.taking, lobewright.not_taken, lobewright.take_back;"
        "DROP TABLE lobewright.handed;"
        "DROP FUNCTION lobewright.tell; DROP TABLE lobewright.live, lobewright.archive;"
        "ALTER TABLE lobewright.documents DROP COLUMN arrived; DROP SEQUENCE lobewright.arrivals;"
        "DELETE FROM lobewright.migrations WHERE number >= 2"
    )
    with psycopg.connect(server.url(archive)) as owner:
        owner.execute(back.encode())
    prepare(server.url(archive), [])
    (tmp_path / "cache").mkdir()
    shop = Benches.open(server.url(archive, "lobewright_reader"), tmp_path / "cache")
    shop.step()
    assert [one.bench for one in shop.index.found()] == ["east"]
    add_job(tmp_path / "west")
    send(tmp_path / "west", "west")  # by a role that was let in before
    shop.step()
    assert {one.bench for one in shop.index.found()} == {"east", "west"}
    shop.stop()


def test_one_folder_holds_one_shop(reader: str, tmp_path: Path) -> None:
    (tmp_path / "cache").mkdir()
    first = Benches.open(reader, tmp_path / "cache")
    done = lobewright("shop", "--archive", reader, "--data", str(tmp_path / "cache"), "--port", "0")
    first.stop()
    assert done.returncode == 2
    assert "choose another --data folder" in done.stderr


def test_a_password_comes_from_a_file_and_is_told_nowhere(server: Server, tmp_path: Path) -> None:
    prepare(server.new_database("locked"), ["locked"])
    with psycopg.connect(server.url("locked")) as owner:
        owner.execute(f"ALTER ROLE lobewright_locked PASSWORD '{PASSWORD}'".encode())
        owner.execute(b"GRANT lobewright_reader TO lobewright_locked")
    url = server.url("locked", "lobewright_locked")
    done = lobewright("shop", "--archive", url, "--data", str(tmp_path / "cache"), "--port", "0")
    assert done.returncode == 2
    assert "cannot be reached" in done.stderr
    file = tmp_path / "pgpass"
    file.write_text(f"*:*:*:*:{PASSWORD}\n", encoding="utf-8")
    file.chmod(0o600)
    running = RunningPages(url, tmp_path, {"PGPASSFILE": str(file), "PATH": "/usr/bin:/bin"})
    answers = [httpx.get(running.url + path).text for path in ("/", "/api/shop/benches", "/help")]
    running.stop()
    told = [*answers, running.log.read_text()]
    told += [
        path.read_bytes().decode("latin-1") for path in (tmp_path / "cache").rglob("*") if path.is_file()
    ]
    assert not [one for one in told if PASSWORD in one]
