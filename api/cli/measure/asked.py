"""What is said of engine, gauge and encoder on the command line, checked; usual limits where none are stated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import wraps
from typing import Any

from analysis.base import (
    USUAL_ENCODER_ERROR_DEG,
    USUAL_GAUGE_ERROR_MM,
    USUAL_RETRACE_MM,
    GaugeFacts,
    LobeSettings,
    TdcSettings,
)
from api.base import MisuseError

STANDARD_DROP_MM = 1.27

Command = Callable[..., None]
Option = Callable[[Command], Command]


@dataclass(frozen=True, slots=True)
class Stated:
    """What is said of crank train, gauge and encoder, `None` where nothing is; what cannot be raises `MisuseError`."""

    stroke_mm: float | None = None
    rod_mm: float | None = None
    pin_offset_mm: float | None = None
    lag_s: float | None = None
    error_mm: float | None = None
    retrace_mm: float | None = None
    found_retrace_mm: float | None = None
    encoder_error_deg: float | None = None

    @property
    def tdc_settings(self) -> TdcSettings:
        """The crank train, checked."""
        stroke_mm, rod_mm, pin_offset_mm = self.stroke_mm, self.rod_mm, self.pin_offset_mm
        if rod_mm is not None and stroke_mm is None:
            raise MisuseError(
                "contradictory_options", "--rod is of use only together with --stroke; give both."
            )
        if pin_offset_mm is not None and (stroke_mm is None or rod_mm is None):
            raise MisuseError(
                "contradictory_options", "--pin-offset needs --stroke and --rod; give all three."
            )
        if (
            stroke_mm is not None
            and rod_mm is not None
            and rod_mm <= stroke_mm / 2 + abs(pin_offset_mm or 0.0)
        ):
            raise MisuseError(
                "contradictory_options",
                f"a rod of {rod_mm:g} mm cannot turn over a stroke of {stroke_mm:g} mm; check both.",
            )
        return TdcSettings(stroke_mm, rod_mm, pin_offset_mm, encoder_error_deg=self._encoder_limit_deg)

    def lobe_settings(
        self,
        tdc_deg: float = 0.0,
        drop_mm: float = STANDARD_DROP_MM,
        check_lifts_mm: tuple[float, ...] = (),
    ) -> LobeSettings:
        """What is asked of a lobe, checked."""
        asked = LobeSettings(
            tdc_deg=tdc_deg,
            drop_mm=drop_mm,
            encoder_error_deg=self._encoder_limit_deg,
            encoder_supposed=self.encoder_error_deg is None,
        )
        return (
            replace(asked, check_lifts_mm=tuple(dict.fromkeys(check_lifts_mm))) if check_lifts_mm else asked
        )

    @property
    def gauge_facts(self) -> GaugeFacts:
        """The gauge, checked; where a limit is left out, the usual one."""
        return GaugeFacts(
            lag_s=self.lag_s,
            error_mm=USUAL_GAUGE_ERROR_MM if self.error_mm is None else self.error_mm,
            retrace_mm=USUAL_RETRACE_MM if self.retrace_mm is None else self.retrace_mm,
            found_retrace_mm=self.found_retrace_mm,
        )

    @property
    def _encoder_limit_deg(self) -> float:
        return USUAL_ENCODER_ERROR_DEG if self.encoder_error_deg is None else self.encoder_error_deg

    @property
    def supposed(self) -> str:
        """The limits that nobody stated, in one line; empty where all were, or a retrace was found."""
        retrace_mm = self.retrace_mm if self.found_retrace_mm is None else self.found_retrace_mm
        parts = [
            (
                self.error_mm,
                f"gauge error {USUAL_GAUGE_ERROR_MM:g} mm (JIS B 7503, up to 30 mm; --gauge-error)",
            ),
            (retrace_mm, f"retrace {USUAL_RETRACE_MM:g} mm (JIS B 7503, up to 30 mm; --retrace)"),
            (
                self.encoder_error_deg,
                f"encoder {USUAL_ENCODER_ERROR_DEG:g} deg over its turn (--encoder-error)",
            ),
        ]
        left_out = [named for given, named in parts if given is None]
        return f"  Supposed, for nothing was stated: {', '.join(left_out)}" if left_out else ""


def stating(*options: Option) -> Option:
    """Add options to a command, which is given all that they say as one `Stated`."""

    def added(command: Command) -> Command:
        """The command with these options, which it is given as one."""

        @wraps(command)
        def told(**given: Any) -> None:
            """Gather what was stated and pass it on."""
            said = {one.name: given.pop(one.name) for one in fields(Stated) if one.name in given}
            command(stated=Stated(**said), **given)

        with_options: Command = told
        for option in reversed(options):
            with_options = option(with_options)
        return with_options

    return added
