"""This machine's side: capture kept running, the service served, found by name, installed, tested by itself."""

from api.host.asking_service import fetch_file, send_file
from api.host.demo_script import DemoScript
from api.host.installing import Installation, write_for_review
from api.host.options import data_option
from api.host.self_check import State, self_test
from api.host.serving import WEB_FILE, check_bench, listening, serve

__all__ = [
    "WEB_FILE",
    "DemoScript",
    "Installation",
    "State",
    "check_bench",
    "data_option",
    "fetch_file",
    "listening",
    "self_test",
    "send_file",
    "serve",
    "write_for_review",
]
