"""``lobewright ports``: what serial ports there are, what each seems to send, a bench file to start from."""

from __future__ import annotations

import click

from capture.port import LISTEN_S, ListedPort, listed_ports, sniff, suggested_bench


@click.command()
@click.argument("names", nargs=-1, metavar="[PORT]...")
@click.option(
    "--listen",
    "listen_s",
    default=LISTEN_S,
    show_default=True,
    type=click.FloatRange(0.1, 30),
    help="Seconds to listen at each speed.",
)
@click.option(
    "--raise",
    "raise_lines",
    is_flag=True,
    help="Where nothing comes, try again with DTR and RTS raised; a board that restarts then is waited for.",
)
def ports(names: tuple[str, ...], listen_s: float, raise_lines: bool) -> None:
    """List serial ports and listen on each; where PORTs are named, on those only.

    Move the crank and the plungers meanwhile. No byte is sent. The bench file at the end is a start: check
    every figure in it.
    """
    there = [ListedPort(name, "") for name in names] or listed_ports()
    if not there:
        click.echo(
            "No serial port is there. Plug the instruments in, or name one: lobewright ports /dev/ttyUSB0"
        )
        return
    found = []
    for port in there:
        found.append(sniff(port, listen_s, raise_lines=raise_lines))
        click.echo(found[-1].sentence)
    if any(one.frame for one in found):
        click.echo("\n" + suggested_bench(found))
