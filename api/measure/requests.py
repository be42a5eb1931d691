"""What is asked of a measurement when it is begun, checked; the bodies of the web API."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

Name = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[a-z0-9_]+$")]
Degrees = Annotated[float, Field(allow_inf_nan=False, ge=-1e9, le=1e9)]
Millimetres = Annotated[float, Field(allow_inf_nan=False, ge=0.005, le=50)]


class Asked(BaseModel):
    """Base of all bodies: unknown fields and wrong types are refused."""

    model_config = ConfigDict(extra="forbid")


class TdcAsked(Asked):
    """What is known of the crank train; leave out what is not known."""

    stroke_mm: Annotated[float, Field(gt=0, le=2000, allow_inf_nan=False)] | None = None
    rod_mm: Annotated[float, Field(gt=0, le=5000, allow_inf_nan=False)] | None = None
    pin_offset_mm: Annotated[
        float | None,
        Field(ge=-100, le=100, allow_inf_nan=False, description="Positive to the (major) thrust side."),
    ] = None
    pin_side_known: Annotated[
        bool, Field(description="False where only the size of the offset is known, not its side.")
    ] = True

    @model_validator(mode="after")
    def _engine_turns(self) -> Self:
        if self.rod_mm is not None and self.stroke_mm is None:
            raise ValueError("a rod length is of use only together with the stroke; give both")
        if self.pin_offset_mm is not None and self.rod_mm is None:
            raise ValueError("a pin offset needs the stroke and the rod length too; give all three")
        if (
            self.stroke_mm
            and self.rod_mm
            and self.rod_mm <= self.stroke_mm / 2 + abs(self.pin_offset_mm or 0)
        ):
            raise ValueError("a rod as short as that cannot turn over that stroke; check both")
        return self


class LobeAsked(Asked):
    """How a lobe is to be told. Without `tdc_deg`, the last true TDC found on this run is taken."""

    tdc_deg: Annotated[Degrees | None, Field(description="True TDC in the encoder's crank degrees.")] = None
    tdc_u_deg: Annotated[float, Field(ge=0, le=360, allow_inf_nan=False)] = 0.0
    drop_mm: Millimetres = 1.27
    check_lifts_mm: Annotated[list[Millimetres] | None, Field(max_length=32)] = None
    forward_only: Annotated[bool, Field(description="The engine must not be turned back.")] = False


class MeasurementAsked(Asked):
    """What the gauge touches and, if wanted, how the number is to be told.

    `touches` is a part and its cylinder, such as ``piston_1``, ``inlet_1`` or ``exhaust_3``. A piston gives
    true TDC, a valve gives a lobe.
    """

    touches: Name
    gauge: Annotated[Name | None, Field(description="May be left out where the bench has one gauge.")] = None
    what: Annotated[
        Literal["tdc", "lobe"] | None, Field(description="May be left out: told by `touches`.")
    ] = None
    job_id: Annotated[int, Field(ge=1, le=2**53)] | None = None
    tdc: TdcAsked | None = None
    lobe: LobeAsked | None = None
    lag_s: Annotated[
        float | None,
        Field(
            ge=-10,
            le=10,
            allow_inf_nan=False,
            description="Lag of the gauge behind the encoder, if known. Left out: carried from the last "
            "true TDC found with the same gauge, else found from the readings.",
        ),
    ] = None
    lag_u_s: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False)] | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.kind == "tdc" and self.lobe is not None:
            raise ValueError("`lobe` does not go with true TDC; leave it out")
        if self.kind == "lobe" and self.tdc is not None:
            raise ValueError("`tdc` does not go with a lobe; leave it out")
        if self.what is not None and self.touches.startswith("piston") != (self.what == "tdc"):
            raise ValueError(f"a gauge on {self.touches} cannot give a {self.what}")
        return self

    @property
    def kind(self) -> Literal["tdc", "lobe"]:
        """True TDC or a lobe."""
        return "tdc" if self.touches.startswith("piston") else "lobe"
