"""One shop of several benches: copies of all of them kept up to date, their pages, and one page over them."""

from api.shop.app import OF, OVER_ALL, create_shop_app
from api.shop.benches import Benches
from api.shop.index import ShopIndex

__all__ = ["OF", "OVER_ALL", "Benches", "ShopIndex", "create_shop_app"]
