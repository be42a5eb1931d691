"""The shop's database itself: its tables and their migrations, its one writer, what it says when it cannot be used."""

from api.store.changes import ROW_KEYS, key_of
from api.store.half_restored import begin_restore, finish_restore, is_half_restored, owned
from api.store.names import ARCHIVE_FILE, FILE_NAME, IMPORTED_FOLDER
from api.store.request_keys import Answered, AskedOnce, asked_once, keeping_answer
from api.store.schema_check import strange_in_shop, strange_in_streams
from api.store.shop_settings import hands_free, setting_hands_free
from api.store.shop_store import (
    Asking,
    Row,
    ShopReader,
    ShopStore,
    WithinChange,
    hold_shop,
    make_data_folder,
)
from api.store.trouble import damaged, not_readable_words, read_only, read_only_words, store_error
from api.store.versions import Version, Versions, differences, note_first, put_version

__all__ = [
    "ARCHIVE_FILE",
    "FILE_NAME",
    "IMPORTED_FOLDER",
    "ROW_KEYS",
    "Answered",
    "AskedOnce",
    "Asking",
    "Row",
    "ShopReader",
    "ShopStore",
    "Version",
    "Versions",
    "WithinChange",
    "asked_once",
    "begin_restore",
    "damaged",
    "differences",
    "finish_restore",
    "hands_free",
    "hold_shop",
    "is_half_restored",
    "keeping_answer",
    "key_of",
    "make_data_folder",
    "not_readable_words",
    "note_first",
    "owned",
    "put_version",
    "read_only",
    "read_only_words",
    "setting_hands_free",
    "store_error",
    "strange_in_shop",
    "strange_in_streams",
]
