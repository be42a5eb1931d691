"""This machine's side: capture kept running, the service served, found by name, installed, tested by itself."""

from api.host.asking_service import ask, fetch_file, running_address, send_file
from api.host.builder import Builder, BuilderGaveUp, part_in
from api.host.demo_job import DemoJob, FinishedJobs
from api.host.demo_script import DemoScript
from api.host.holding import end_child
from api.host.installing import Installation, write_for_review
from api.host.options import data_option
from api.host.self_check import State, self_test
from api.host.serving import (
    THIS_MACHINE,
    WEB_FILE,
    Companion,
    Pages,
    check_bench,
    listening,
    serve,
    serve_pages,
)
from api.host.whole_job import begin_job, cam_of, card_of, do_the_job, engine_of

__all__ = [
    "THIS_MACHINE",
    "WEB_FILE",
    "Builder",
    "BuilderGaveUp",
    "Companion",
    "DemoJob",
    "DemoScript",
    "FinishedJobs",
    "Installation",
    "Pages",
    "State",
    "ask",
    "begin_job",
    "cam_of",
    "card_of",
    "check_bench",
    "data_option",
    "do_the_job",
    "end_child",
    "engine_of",
    "fetch_file",
    "listening",
    "part_in",
    "running_address",
    "self_test",
    "send_file",
    "serve",
    "serve_pages",
    "write_for_review",
]
