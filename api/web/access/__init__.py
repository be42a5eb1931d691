"""Who may call: own names, paired screens, what each kind of caller may do."""

from api.web.access.access import COOKIE, Access, Caller, at_bench, least_caller, own_names, token_of
from api.web.access.gate import Gate
from api.web.access.paired_screens import LIFETIME_DAYS, PairedScreens
from api.web.access.pairing import Code, Pairing, TooManyTriesError

__all__ = [
    "COOKIE",
    "LIFETIME_DAYS",
    "Access",
    "Caller",
    "Code",
    "Gate",
    "PairedScreens",
    "Pairing",
    "TooManyTriesError",
    "at_bench",
    "least_caller",
    "own_names",
    "token_of",
]
