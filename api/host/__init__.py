"""This machine's side: capture kept running, the service served, found by name, installed, tested by itself."""

from api.host.asking_service import fetch_file, send_file
from api.host.builder import Builder, BuilderGaveUp
from api.host.demo_job import DemoJob, FinishedJobs
from api.host.demo_script import DemoScript
from api.host.done_jobs import DONE_JOBS, write_done_job
from api.host.installing import Installation, write_for_review
from api.host.options import data_option
from api.host.self_check import State, self_test
from api.host.serving import WEB_FILE, Companion, check_bench, listening, serve
from api.host.whole_job import begin_job, cam_of, do_the_job

__all__ = [
    "DONE_JOBS",
    "WEB_FILE",
    "Builder",
    "BuilderGaveUp",
    "Companion",
    "DemoJob",
    "DemoScript",
    "FinishedJobs",
    "Installation",
    "State",
    "begin_job",
    "cam_of",
    "check_bench",
    "data_option",
    "do_the_job",
    "fetch_file",
    "listening",
    "self_test",
    "send_file",
    "serve",
    "write_done_job",
    "write_for_review",
]
