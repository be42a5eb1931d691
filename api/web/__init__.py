"""The web application: routes, access, errors, compression, put together."""

from api.web.app import create_app, create_guarded_app
from api.web.copy_app import create_copy_app, shown_of_a_copy
from api.web.routes import COPY_ROUTERS, SHOP_ROUTERS, page_of

__all__ = [
    "COPY_ROUTERS",
    "SHOP_ROUTERS",
    "create_app",
    "create_copy_app",
    "create_guarded_app",
    "page_of",
    "shown_of_a_copy",
]
