"""What a start finds: the journal in whatever state, openings that nobody saw end, and the water of the last day."""

import json
from collections.abc import Container, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.core.events import ValveClosed
from controller.core.garden import Garden
from controller.core.moment import Now
from controller.guard.rules import DAY_S, Charge, UsedOpening
from controller.shells.journal import (
    UNSEEN,
    Journal,
    JournalError,
    NewerJournalError,
    Unfinished,
    began,
    put_aside,
)

SPARE = "spare.json"
"""The spare state's name in the guard's directory, which lies in memory: it outlives the daemon, not the power."""
STARTS = "starts.json"
"""In the guard's directory, which lies in memory: when this machine's last starts were that did not end in order."""
STARTS_MOST, STARTS_WITHIN_S = 5, 600.0
ANEW = (
    f"The program has ended {STARTS_MOST - 1} times within {STARTS_WITHIN_S / 60.0:.0f} minutes. What it believed of"
    " the beds and had planned may be why, and is begun anew; holds, locks and what was given are kept."
)
"""What is said then."""
CLOSED_WITHIN_S = 10.0
"""Where no guard was left to end an opening, the closer of the service manager or the next start does, by then."""


@dataclass(frozen=True, slots=True)
class Found:
    """What a start finds. trouble: what was wrong, None if nothing. lost: there was a past, and nothing is known of it.
    """

    journal: Journal
    garden: Garden | None
    trouble: str | None = None
    lost: bool = False


def open_journal(path: Path, spare: Path | None = None) -> Found:
    """The journal, whatever it takes: one that cannot be read or has been changed is put aside, not overwritten; where
    nothing can be opened, the record waits in memory until it can. The spare state fills in what the file lacks.
    NewerJournalError for the journal of a newer version: nothing is wrong with it."""
    there_was_one, vanished, trouble = began(path).exists(), not path.exists(), None
    try:
        journal = Journal(path, spare)
        garden = journal.remember()
        damage = journal.damage()
        if damage is not None:
            journal.close()
            raise JournalError(f"{path}: {damage}")
    except NewerJournalError:
        raise
    except JournalError as error:
        journal, garden, trouble = _begin_anew(path, spare, str(error))
    if (kept := journal.take_spare()) is not None:
        return Found(journal, kept, trouble)
    lost = garden is None and there_was_one
    if lost and trouble is None:
        trouble = f"{path}: the journal {'has vanished' if vanished else 'remembers nothing'}; a new one was begun."
    if lost:
        trouble = f"{trouble} What was watered before is not known: each valve waits until its 24 hours are over."
    return Found(journal, garden, trouble, lost)


def restless(starts: Path, mono_s: float) -> bool:
    """Note a start; whether there have been too many of late. Then they are counted anew."""
    try:
        before = [float(each) for each in json.loads(starts.read_text("ascii"))]
    except (OSError, ValueError, TypeError):
        before = []
    late = [*(each for each in before if 0.0 <= mono_s - each < STARTS_WITHIN_S), mono_s]
    too_many = len(late) >= STARTS_MOST
    with suppress(OSError):
        starts.parent.mkdir(parents=True, exist_ok=True)
        starts.write_text(json.dumps([] if too_many else late), "ascii")
    return too_many


def _begin_anew(path: Path, spare: Path | None, first: str) -> tuple[Journal, None, str]:
    try:
        if path.is_file():
            aside = put_aside(path)
            return Journal(path, spare), None, f"{first}; it was put aside as {aside.name} and a new one begun."
    except (OSError, JournalError) as error:
        first = f"{first}; {error}"
    return Journal.awaiting(path, spare), None, f"{first}; the record waits in memory until it can be written."


def presume_used(journal: Journal, charge: Charge, now: Now) -> None:
    """Nothing is known of the last 24 hours: each valve counts as having had all it may, until they are over."""
    for valve, rule in charge.valves.items():
        journal.presume(valve, rule.most_s_per_24h, rule.most_s_per_24h / 60.0 * rule.flow_l_min, now)


def used_openings(journal: Journal, now: Now) -> tuple[UsedOpening, ...]:
    """The openings of the last 24 hours, for a guard that begins now: its rolling limits are to stay true."""
    return tuple(
        UsedOpening(used.zone, used.ended_ago_s, used.open_s, used.litres) for used in journal.used_within(DAY_S, now)
    )


def endings(
    unfinished: Iterable[Unfinished], words: Mapping[str, Mapping[str, Any]], known: Container[str] | None = None
) -> list[ValveClosed]:
    """How each unfinished opening ended.

    words: the guard's last words by pulse; they are exact. Where it left words but none of this pulse, it never opened
    it. Where it left none at all (power cut, killed), the valve was open for some of its time, and until it was closed
    from outside: half of that, give or take half. known: the pulses that the journal has heard of; words of others are
    endings too (None: there are none).
    """
    found = [
        _by_words(str(word["valve"]), pulse, word)
        for pulse, word in words.items()
        if known is not None and pulse not in known
    ]
    for opening in unfinished:
        word = words.get(opening.pulse)
        if word is not None:
            found.append(_by_words(opening.zone, opening.pulse, word))
        elif words:
            found.append(ValveClosed(opening.zone, opening.pulse, 0.0, "never opened"))
        else:
            half_s = (opening.seconds + CLOSED_WITHIN_S) / 2.0
            found.append(ValveClosed(opening.zone, opening.pulse, half_s, UNSEEN, unsure_s=half_s))
    return found


def _by_words(zone: str, pulse: str, word: Mapping[str, Any]) -> ValveClosed:
    """The ending that the guard's last words tell."""
    # An older guard did not say the one, and a guard without a meter has nothing to say of the other.
    water_s, litres = (None if word.get(name) is None else float(word[name]) for name in ("water_s", "litres"))
    return ValveClosed(zone, pulse, float(word["open_s"]), str(word["why"]), water_s=water_s, litres=litres)
