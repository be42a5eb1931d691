"""``lobewright pair``: show a code at the bench, list the paired screens, revoke them."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import click

from api.base import BenchError, MisuseError
from api.host import WEB_FILE, data_option

ANSWER_S = 10.0
_directly = urllib.request.build_opener(urllib.request.ProxyHandler({}))


@click.group(invoke_without_command=True)
@data_option
@click.pass_context
def pair(context: click.Context, data_dir: Path) -> None:
    """Show a code with which one more screen may change things at the bench."""
    context.obj = data_dir
    if context.invoked_subcommand is None:
        told = ask(data_dir, "POST", "/api/pairing/code")
        code = told["code"]
        click.echo(f"{code[:4]} {code[4:]}")
        click.echo(
            f"Open /pair on the screen and type this within {told['lives_s'] / 60:.0f} minutes; it works once."
        )


@pair.command()
@click.pass_obj
def link(data_dir: Path) -> None:
    """Print a link that lets a browser of this machine in, once; for a bench run with --own-screen secret."""
    told = ask(data_dir, "POST", "/api/pairing/own_screen")
    click.echo(
        f"Open this on the bench's own machine; it works once:\n{running_address(data_dir)}{told['path']}"
    )


@pair.command("list")
@click.pass_obj
def list_(data_dir: Path) -> None:
    """List the paired screens: number, name, when paired, day last used."""
    from api.web.access import PairedScreens

    screens = PairedScreens(data_dir).listed()
    for one in screens:
        click.echo(f"{one.number:>4}  {one.name:<40}  {one.paired_at:%Y-%m-%d %H:%M}  {one.seen_on}")
    if not screens:
        click.echo(f"No screen is paired in {data_dir}.")


@pair.command()
@click.argument("number", type=click.IntRange(1), required=False)
@click.option("--all", "every", is_flag=True, help="Revoke every screen.")
@click.pass_obj
def revoke(data_dir: Path, number: int | None, every: bool) -> None:
    """Forget screen NUMBER, or all: from then on it may not change anything."""
    from api.web.access import PairedScreens

    if every == (number is not None):
        raise click.UsageError("give the number of one screen (lobewright pair list shows it), or --all.")
    place = "" if number is None else f"/{number}"
    try:
        revoked = ask(data_dir, "DELETE", f"/api/pairing/screens{place}")["revoked"]
    except BenchError:  # no service runs: the list is ours to write
        revoked = PairedScreens(data_dir).revoke(number)
    click.echo(f"{revoked} revoked.")


def running_address(data_dir: Path) -> str | None:
    """Give the address at which the service of a data folder says it is."""
    try:
        return str(json.loads((data_dir / WEB_FILE).read_text(encoding="utf-8"))["url"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _own_cookie(data_dir: Path) -> dict[str, str]:
    """Give what proves that we are the bench's own account, where a secret was made for that."""
    from api.web.access import BENCH_COOKIE, OWN_SECRET_FILE

    try:
        secret = (data_dir / OWN_SECRET_FILE).read_text(encoding="ascii").strip()
    except OSError:
        return {}
    return {"Cookie": f"{BENCH_COOKIE}={secret}"} if secret else {}


def ask(data_dir: Path, method: str, path: str) -> dict[str, Any]:
    """Ask the service of a data folder, from the bench's own machine."""
    address = running_address(data_dir)
    if address is None:
        raise BenchError(
            "not_running",
            f"no Lobewright runs with the folder {data_dir}; start it (lobewright run), or give its --data.",
        )
    request = urllib.request.Request(f"{address}{path}", method=method, headers=_own_cookie(data_dir))
    try:
        with _directly.open(request, timeout=ANSWER_S) as answer:
            told: dict[str, Any] = json.loads(answer.read())
            return told
    except urllib.error.HTTPError as error:
        told = json.loads(error.read())
        raise MisuseError(told["code"], told["message"]) from None
    except OSError:
        raise BenchError(
            "not_running", f"the Lobewright of the folder {data_dir} does not answer at {address}; start it."
        ) from None
