"""The one thread that decides: take in, decide, write down, act, write down the outcome. The only caller of core.step.

The order is the promise: a closing is done first and written after; an opening is written first and done after. The
same loop runs in the daemon, in the simulator and in the demo; only the world around it differs (`controller.seams`).
"""

from datetime import datetime, timedelta

from controller.core.actions import Answer, Close, Measure, Note, Open, Release, Send, Sense
from controller.core.events import Event, ForecastArrived, Reading, Trouble, ValveClosed, ValveRefused, Woke
from controller.core.garden import DayLedger, Garden
from controller.core.site import Site
from controller.core.step import step
from controller.seams import Clock, Outlet, Valves
from controller.shells.journal import Journal

JOURNAL = "journal"
"""Name of the fault that tells of a journal that does not work."""
COMMIT_EVERY = timedelta(minutes=10)


class Loop:
    """Holds the garden between steps."""

    def __init__(
        self, site: Site, garden: Garden, *, clock: Clock, valves: Valves, journal: Journal, outlet: Outlet
    ) -> None:
        self.site = site
        self.garden = garden
        self.wake_at: datetime = clock.now().utc
        self._stepped_at: datetime = self.wake_at
        self._clock = clock
        self._valves = valves
        self._journal = journal
        self.outlet = outlet
        self._committed_at = clock.now().utc
        fault = garden.faults.get(JOURNAL)
        self._journal_trouble = fault.said if fault is not None else None  # told by an earlier loop
        self._booked: dict[str, DayLedger] = {}
        self._closed: list[str] = []

    def take(self, event: Event) -> None:
        """One event, from what it means to what was done about it."""
        now = self._clock.now()
        outcome = step(self.site, self.garden, event, now)
        self.garden, self.wake_at, self._stepped_at = outcome.garden, outcome.wake_at, now.utc
        for action in outcome.actions:
            match action:
                case Close(zone, why):
                    self._valves.close(zone, why)
                case Sense(sensor, on):
                    self._valves.sense(sensor, on)
                case Measure(counted):
                    self._valves.measure(counted)
                case Release(zone):
                    self._valves.release(zone)
                case _:
                    pass
        must_commit = self._write_down(event, outcome.actions)
        openings = [action for action in outcome.actions if isinstance(action, Open)]
        if must_commit or now.utc - self._committed_at >= COMMIT_EVERY or now.utc < self._committed_at:
            self.commit()
        for opening in openings:
            self._valves.open(opening.zone, opening.pulse, opening.seconds)
        for action in outcome.actions:
            if isinstance(action, Answer):
                self.outlet.answer(action)
            elif isinstance(action, Note):
                self.outlet.said(action)
            elif isinstance(action, Send):
                self.outlet.send(self.site, action.digest)
        self.outlet.show(self.site, self.garden, now)
        self._tell_journal_trouble()

    def look_in(self) -> None:
        """Wake the core if its time has come, or if the wall clock was set back: then nobody knows when it comes."""
        if not self._stepped_at <= self._clock.now().utc < self.wake_at:
            self.take(Woke())

    def commit(self) -> None:
        """Everything onto the disk. Only then may the guard forget the closings that are in it."""
        now = self._clock.now()
        self._book_days()
        if not self._journal.commit(self.garden, now):
            return
        self._committed_at = now.utc
        for pulse in self._closed:
            self._valves.noted(pulse)
        self._closed.clear()

    def _write_down(self, event: Event, actions: tuple[object, ...]) -> bool:
        """Hand everything to the journal; True if it must be on the disk before life goes on."""
        now, must = self._clock.now(), False
        match event:
            case Reading():
                self._journal.saw_reading(event)
            case ForecastArrived():
                self._journal.saw_forecast(event)
            case ValveClosed():
                line = self.site.zone(event.zone).line
                unsure_litres = event.unsure_s / 60.0 * line.flow_l_min
                supposed_l = self.site.supply_of(event.zone).drawn_l(line, event.open_s, event.water_s)
                passed_l = supposed_l if event.litres is None else event.litres
                self._journal.closed(event, passed_l, unsure_litres, now)
                self._closed.append(event.pulse)
                must = True
            case ValveRefused():
                self._journal.refused(event.pulse, event.why, now)
                must = True
            case _:
                pass
        for action in actions:
            if isinstance(action, Note):
                self._journal.note(action, now)
                must = must or action.lasting
            elif isinstance(action, Open):
                self._journal.intend(action, now)
                must = True
        return must

    def _book_days(self) -> None:
        """The ledgers of yesterday and today, where they have changed since they were last written."""
        for zone, bed in self.garden.beds.items():
            for ledger in (bed.yesterday, bed.today):
                if ledger is not None and self._booked.get(f"{zone} {ledger.day}") != ledger:
                    self._journal.day(zone, ledger.day, ledger)
                    self._booked[f"{zone} {ledger.day}"] = ledger
        if len(self._booked) > 10 * len(self.garden.beds):
            self._booked.clear()

    def _tell_journal_trouble(self) -> None:
        """A journal that stops or starts working is an event like any other."""
        if self._journal.trouble != self._journal_trouble:
            self._journal_trouble = self._journal.trouble
            self.take(Trouble(JOURNAL, self._journal.trouble))
