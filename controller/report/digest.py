"""The day's message as plain text: the heat first, then what to do, then what is wrong."""

from controller.core.job import Digest, Job
from controller.core.site import Site
from controller.messages import DigestMessage
from controller.words import Words


def digest_message(site: Site, digest: Digest) -> DigestMessage:
    """The message as it goes out, in the site's language."""
    words = Words(site)
    return DigestMessage(
        day=digest.day,
        urgent=digest.urgent,
        subject=_subject(site, digest, words),
        text=digest_text(site, digest, words),
        jobs=[job.id for job in digest.jobs],
        language=words.language.code,
    )


def digest_text(site: Site, digest: Digest, words: Words) -> str:
    """The whole message."""
    parts = [words.text("digest.head", site=site.name, day=digest.day)]
    if digest.heat is not None:
        parts.append(words.text("digest.heat", heat=digest.heat))
    parts += [words.text("digest.fault", fault=words.fault(fault)) for fault in digest.faults]
    parts += [words.text("digest.thirsty", zone=words.zone(zone)) for zone in digest.thirsty]
    parts += [_job(job, words) for job in digest.jobs]
    if digest.also_open:
        parts.append(words.text("digest.also" if digest.also_open > 1 else "digest.also-one", count=digest.also_open))
    if digest.away:
        parts.append(words.text("digest.away", given_l=digest.given_l))
    if any(job.of_heat for job in digest.jobs):
        parts.append(words.text("caution"))
    return "\n\n".join(parts) + "\n"


def _subject(site: Site, digest: Digest, words: Words) -> str:
    if digest.urgent and digest.faults and not digest.jobs:
        return words.text("digest.subject-fault", site=site.name)
    if digest.heat is not None and digest.jobs:
        return words.text("digest.subject-heat", site=site.name, heat=digest.heat)
    if digest.faults or digest.thirsty:
        return words.text("digest.subject-trouble", site=site.name)
    if digest.away and not digest.jobs:
        return words.text("digest.subject-well", site=site.name)
    key = "digest.subject-jobs" if len(digest.jobs) != 1 else "digest.subject-job"
    return words.text(key, site=site.name, count=len(digest.jobs))


def _job(job: Job, words: Words) -> str:
    when = words.due(job.due_until, job.keep_to)
    takes = f" ({words.takes(job.minutes)})" if job.minutes else ""
    how = f"\n{words.text('jobs.how', text=job.id)}" if not job.keep_to else ""
    return f"{when[:1].upper()}{when[1:]}{takes}:\n{words.say(job.what)}\n{words.say(job.why)}{how}"
