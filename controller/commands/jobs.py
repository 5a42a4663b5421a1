"""`seepward jobs`: what only hands can do; `seepward jobs done ID` reports one done, `dismiss ID` leaves it out."""

import argparse
from typing import Any

from controller.commands.common import (
    age,
    give_calendar,
    journal_of,
    print_json,
    remembered,
    settings_of,
    wants_json,
    wrong_use,
)
from controller.core.job import Job
from controller.core.jobs import jobs
from controller.core.site import Site
from controller.report.views import job_view
from controller.words import Words

VERBS = {"done": "job-done", "dismiss": "job-dismiss"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "What heat (°C), the season and your own config ask of your hands now, the most pressing first, with what is "
        "done below. Times are local. To report one done: seepward jobs done ID; to leave one out: seepward jobs "
        "dismiss ID"
    )
    parser.add_argument("verb", nargs="?", choices=tuple(VERBS), metavar="done|dismiss", help="report a job")
    parser.add_argument("id", nargs="?", metavar="ID", help="the job's id, as the list shows it")
    parser.add_argument(
        "--ics", metavar="FILE", help="write the open jobs as an iCalendar file instead; - is standard output"
    )
    parser.add_argument("--zone", metavar="ZONE", help="it was done in this zone only")


def run(arguments: argparse.Namespace) -> int:
    if arguments.ics == "-" and wants_json(arguments):
        raise wrong_use("Either --ics - or --json, not both.")
    settings = settings_of(arguments)
    if arguments.verb is not None:
        if not arguments.id:
            raise wrong_use(f"Which job? Give its id, as: seepward jobs {arguments.verb} mulch")
        from controller.commands.asking import ask, zone_wish

        return ask(
            arguments, settings, zone_wish(VERBS[arguments.verb], settings, arguments.zone) | {"job": arguments.id}
        )
    site = settings.build()
    with journal_of(arguments, settings) as reader:
        garden, as_of = remembered(reader, site)
    words, found = Words(site), jobs(site, garden, as_of)
    found.sort(key=lambda job: job.state(as_of) != "open")  # open ones first, each part by urgency
    open_now = [job for job in found if job.state(as_of) == "open"]
    listed = [_view(site, job, job_view(site, job, words, as_of)) for job in found]
    if arguments.ics is not None:
        from controller.report.calendar import jobs_calendar

        give_calendar(arguments, jobs_calendar(site, found, words, as_of), f"{len(open_now)} jobs", age(as_of, site))
        return 0
    hot = any(job.of_heat for job in open_now)
    if wants_json(arguments):
        print_json({"jobs": listed, "caution": words.text("caution") if hot else None})
        return 0
    from controller.report.text import console, show_jobs

    show_jobs(console(), listed, age(as_of, site), words, hot)
    return 0


def _view(site: Site, job: Job, view: dict[str, Any]) -> dict[str, Any]:
    done = job.done.astimezone(site.timezone).isoformat(timespec="seconds") if job.done is not None else None
    return {**view, "done": done}
