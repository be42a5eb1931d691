"""One shop of several benches: copies of all of them kept up to date, their pages, and one page over them."""

from api.shop.app import create_shop_app
from api.shop.benches import Benches
from api.shop.index import ShopIndex, ShopLine

__all__ = ["Benches", "ShopIndex", "ShopLine", "create_shop_app"]
