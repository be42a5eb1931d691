"""The web application: routes, access, errors, compression, put together."""

from api.web.app import create_app

__all__ = [
    "create_app",
]
