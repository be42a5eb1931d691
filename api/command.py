"""The command ``lobewright``: each part is loaded only when it is called for."""

from __future__ import annotations

import importlib
import os
import sys

import click

from api.base import ServiceError
from api.files import keep_private

# Our matrices are small: several threads of linear algebra would wait for each other, and hold up the live screens.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

PARTS = {
    "demo": ("api.cli.demo", "demo", "Simulated bench, capture and web service; one Ctrl-C stops all."),
    "demo-jobs": ("api.cli.demo", "demo_jobs", ""),  # without a word of help: called by the demo alone
    "run": ("api.host.serving", "run", "Capture and web service of a real bench."),
    "ports": (
        "api.cli.ports",
        "ports",
        "Serial ports, what each seems to send, a bench file to start from.",
    ),
    "check": ("api.cli.check", "check", "What is wrong with this bench, in plain words."),
    "service": ("api.cli.service", "service", "Files that make the bench a service of this machine."),
    "backup": ("api.cli.backup", "backup", "Everything the shop keeps in one file, while it runs."),
    "verify": (
        "api.cli.backup",
        "verify",
        "Prove that a backup, or an archive, is whole, to the last reading.",
    ),
    "restore": (
        "api.cli.backup",
        "restore",
        "Put a backup, or what an archive has of a bench, into a data folder.",
    ),
    "archive": (
        "api.cli.archive_server",
        "archive",
        "One archive on a server for several benches: make it ready.",
    ),
    "job": ("api.cli.job", "job", "Hand a job over to another bench, take one over, take one back."),
    "shop": ("api.cli.shop", "shop", "All benches of an archive on one page, to look at."),
    "tidy": ("api.cli.tidy", "tidy", "Remove old readings; never those of a signed job."),
    "pair": ("api.cli.pair", "pair", "Let another screen change things; list and revoke paired screens."),
    "routes": ("api.cli.routes", "routes", "Every address of the service, and who may call it."),
    "measure": ("api.cli.measure", "measure", "True TDC, lobes, or both together from trace files."),
    "report": (
        "api.cli.report",
        "report",
        "What kept readings tell of a cam and its fitting, with intervals.",
    ),
    "export": ("api.cli.archive", "export", "Write traces of the shop to files."),
    "import": ("api.cli.archive", "import_", "Take trace files into the shop."),
}


FOR_OTHERS = frozenset({"export", "service"})
"""Commands that write what is meant to be handed on; whatever the others write is for this account alone."""


class PartsGroup(click.Group):
    """A group whose commands live in modules of their own."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands in the order of the table."""
        return [name for name, (_, _, text) in PARTS.items() if text]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load one command."""
        if cmd_name not in PARTS:
            return None
        if cmd_name not in FOR_OTHERS:
            keep_private()
        module, name, _ = PARTS[cmd_name]
        command = getattr(importlib.import_module(module), name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, _, text) in PARTS.items() if text])


@click.group(cls=PartsGroup)
@click.version_option(package_name="lobewright")
def lobewright() -> None:
    """Time camshafts from the streams of an encoder and dial indicators."""


def _plain(message: str) -> str:
    """Put what the library says of a number that is none into a builder's words, on one line."""
    for said in ("is not a valid integer range.", "is not a valid integer."):
        message = message.replace(said, "is no whole number.")
    return " ".join(message.split())


def main() -> None:
    """Run the command; every mistake is told in one line on the error stream."""
    try:
        code = lobewright.main(prog_name="lobewright", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
        code = 2
    except click.ClickException as error:
        click.echo(f"lobewright: {_plain(error.format_message())}", err=True)
        code = 2
    except ServiceError as error:
        click.echo(f"lobewright: {error.message}", err=True)
        code = 2
    except (click.Abort, KeyboardInterrupt):
        code = 130
    sys.exit(code if isinstance(code, int) else 0)
