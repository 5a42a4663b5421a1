"""`seepward jobs`: what only hands can do, and `seepward jobs done ID` to report one done."""

import argparse
from typing import Any

from controller.commands.common import (
    age,
    journal_of,
    print_json,
    remembered,
    settings_of,
    wants_json,
    wrong_use,
)
from controller.core.jobs import CAUTION, Job, jobs
from controller.core.site import Site
from controller.report.views import job_view


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "The jobs that the coming, present or past heat (°C) asks of your hands, the most pressing first, "
        "with the done ones below. Times are local. To report one done: seepward jobs done ID"
    )
    parser.add_argument("verb", nargs="?", choices=("done",), metavar="done", help="report a job done")
    parser.add_argument("id", nargs="?", metavar="ID", help="the job's id, as the list shows it")


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    if arguments.verb == "done":
        if not arguments.id:
            raise wrong_use("Which job is done? Give its id, as: seepward jobs done mulch")
        from controller.commands.asking import ask

        return ask(arguments, settings, {"do": "job-done", "job": arguments.id})
    site = settings.build()
    with journal_of(arguments, settings) as reader:
        garden, as_of = remembered(reader, site)
    listed = [
        _view(site, job) for job in jobs(site, garden, as_of) if job.due_until > as_of or job.done is not None
    ]
    listed.sort(key=lambda job: job["done"] is not None)  # open ones first, each part by urgency
    if wants_json(arguments):
        print_json({"jobs": listed, "caution": CAUTION})
        return 0
    from controller.report.text import console, show_jobs

    show_jobs(console(), listed, age(as_of, site))
    return 0


def _view(site: Site, job: Job) -> dict[str, Any]:
    done = job.done.astimezone(site.timezone).isoformat(timespec="seconds") if job.done is not None else None
    return {**job_view(site, job), "stage": job.stage, "done": done}
