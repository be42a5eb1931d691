"""Where else a bench tells what it keeps and reads: the shop's archive, the house's broker."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

_BENCH_NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")
_HOST = re.compile(r"[A-Za-z0-9_-]{1,63}(\.[A-Za-z0-9_-]{1,63})*\.?|[0-9A-Fa-f:.]*:[0-9A-Fa-f:.]*")
USUAL_PORT, USUAL_TLS_PORT = 1883, 8883


class ArchiveOfBenches(BaseModel):
    """Where a shop of several benches keeps what each has kept, and what this bench is called there."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    url: str
    name: str

    @field_validator("url")
    @classmethod
    def _url_is_an_archives(cls, url: str) -> str:
        if not re.match(r"postgres(ql)?://", url):
            raise ValueError("`url` is no archive's address; write postgresql://role@host/database")
        if re.search(r"//[^/@]*:[^/@]*@|[?&]password=", url):
            raise ValueError(
                "`url` holds a password, which everybody reads who reads this file; take it out, and give it in "
                "PGPASSWORD or in a file with rights 0600 that PGPASSFILE names"
            )
        return url

    @field_validator("name")
    @classmethod
    def _name_fits_a_role(cls, name: str) -> str:
        return _plain_name(name)


class BrokerOfHouse(BaseModel):
    """The message broker (MQTT) that carries this bench's live numbers, and what the bench is called there."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    host: str
    name: str
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    tls: bool = False
    certificates: Annotated[str, Field(max_length=500)] = ""
    """File of the authorities that may vouch for the broker; the system's own where empty."""
    user: Annotated[str, Field(max_length=100)] = ""

    @model_validator(mode="before")
    @classmethod
    def _no_password(cls, told: Any) -> Any:
        if isinstance(told, dict) and "password" in told:
            raise ValueError(
                "[mqtt] holds a password, which everybody reads who reads this file; take it out, and give it in "
                "LOBEWRIGHT_MQTT_PASSWORD or in a file with rights 0600 that LOBEWRIGHT_MQTT_PASSFILE names"
            )
        return told

    @field_validator("host")
    @classmethod
    def _host_is_one(cls, host: str) -> str:
        if len(host) <= 253 and _HOST.fullmatch(host):
            return host
        raise ValueError(
            "`host` is no broker's name; write its host alone, such as broker.shop.lan or 192.168.4.20"
        )

    @field_validator("name")
    @classmethod
    def _name_fits_a_topic(cls, name: str) -> str:
        return _plain_name(name)

    @model_validator(mode="after")
    def _certificates_go_with_tls(self) -> BrokerOfHouse:
        if self.certificates and not self.tls:
            raise ValueError("`certificates` only goes with tls = true; take it out or add that")
        return self

    @property
    def port_or_usual(self) -> int:
        """The port, the usual one where none is given."""
        return self.port or (USUAL_TLS_PORT if self.tls else USUAL_PORT)

    @property
    def address(self) -> str:
        """Host and port as people write them."""
        return (
            f"[{self.host}]:{self.port_or_usual}" if ":" in self.host else f"{self.host}:{self.port_or_usual}"
        )


def _plain_name(name: str) -> str:
    if _BENCH_NAME.fullmatch(name):
        return name
    raise ValueError(f"{name!r} cannot be a bench's name; use small letters, digits and _, a letter first")
