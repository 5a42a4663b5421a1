"""A process that writes a journal until it is killed: after each commit it says how many there have been."""

import sys
from datetime import UTC, datetime, timedelta

from controller.core.actions import Note, Open
from controller.core.moment import Now
from controller.core.step import new_garden
from controller.shells.journal import Journal
from tests.core.gardens import a_site

START = datetime(2026, 7, 15, 4, tzinfo=UTC)


def main(path: str) -> None:
    journal, site = Journal(path), a_site()
    garden = new_garden(site, Now(1.0, START))
    n = 0
    while True:
        now = Now(float(n), START + timedelta(seconds=n))
        journal.note(Note("plan", f"note {n}", facts={"n": n}), now)
        journal.intend(Open("tomatoes", f"pulse-{n}", f"watering-{n}", 60.0, 3.0), now)
        assert journal.commit(garden, now)
        print(n, flush=True)
        n += 1


if __name__ == "__main__":
    main(sys.argv[1])
