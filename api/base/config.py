"""What a service is started with."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

DEFAULT_PORT = 8720


@dataclass(frozen=True, slots=True)
class ServiceConfig:
    """What a service is started with.

    Attributes
    ----------
    data_dir
        Folder of ``streams.db``, ``shop.db`` and imported traces.
    bench_file
        The bench file that capture reads; `None` where capture is somebody else's.
    host, port
        Where the pages are served; this machine only unless told.
    viewing_open
        Whether screens of the network that are not paired may look; changing always needs pairing.
    own_screen_secret
        Whether the bench's own screen needs a secret: where the machine has other accounts.
    names
        Further host names under which the pages may be asked for.
    notice
        Shown on every page, such as that all instruments are simulated.
    simulator_url
        Control page of the simulated bench; empty for a real one.
    copy_of
        The bench whose copy this is, to look at only; empty at the bench itself.
    several
        A shop of several benches, whose own pages have no bench of their own.
    """

    data_dir: Path
    bench_file: Path | None = None
    host: str = "127.0.0.1"
    port: int = DEFAULT_PORT
    viewing_open: bool = True
    own_screen_secret: bool = False
    names: frozenset[str] = field(default_factory=frozenset)
    notice: str = ""
    simulator_url: str = ""
    copy_of: str = ""
    several: bool = False
