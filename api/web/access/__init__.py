"""Who may call: own names, paired screens, what each kind of caller may do, and how much of it."""

from api.web.access.access import (
    BENCH_COOKIE,
    COOKIE,
    READING_METHODS,
    Access,
    Caller,
    at_this_machine,
    least_caller,
    own_names,
    standing_of,
    token_of,
)
from api.web.access.gate import Gate, neighbourhood
from api.web.access.own_screen import FILE_NAME as OWN_SECRET_FILE
from api.web.access.own_screen import OwnScreen, WrongLinkError
from api.web.access.paired_screens import LIFETIME_DAYS, PairedScreens
from api.web.access.pairing import HERE, Code, Pairing, TooManyTriesError
from api.web.access.request_keys import KEY_PATTERN, RequestKeys

__all__ = [
    "BENCH_COOKIE",
    "COOKIE",
    "HERE",
    "KEY_PATTERN",
    "LIFETIME_DAYS",
    "OWN_SECRET_FILE",
    "READING_METHODS",
    "Access",
    "Caller",
    "Code",
    "Gate",
    "OwnScreen",
    "PairedScreens",
    "Pairing",
    "RequestKeys",
    "TooManyTriesError",
    "WrongLinkError",
    "at_this_machine",
    "least_caller",
    "neighbourhood",
    "own_names",
    "standing_of",
    "token_of",
]
