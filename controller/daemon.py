"""The real world, put together: broker, forecast, guard, journal and clock around the one deciding loop.

Only this thread decides. The network threads, the guard's reader and the alarm clock drop what they have into the
inbox. The loop beats the guard each time it comes round: when it does not come round, the guard closes everything.

Started with what there is: no broker, no forecast and no readable journal are faults that are said, not reasons to
stay away. No guard is: nothing can be opened without it.
"""

import contextlib
import logging
import os
import queue
import signal
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from types import FrameType
from typing import Any

from controller import __version__
from controller.assembly import broker_address, forecast_source, mail_server
from controller.core.actions import Answer, Note
from controller.core.events import Event, GuardLost, Started, Trouble, ValveClosed, ValveOpened, Woke
from controller.core.garden import Garden, LearntFlow
from controller.core.job import Digest
from controller.core.moment import Now
from controller.core.site import Site
from controller.core.step import fit_to_site, new_garden
from controller.drivers.alarm import Alarms
from controller.drivers.mail import Mailer
from controller.drivers.mqtt import MqttLink
from controller.drivers.system_clock import SystemClock
from controller.drivers.systemd import Supervisor
from controller.drivers.threads import Mishaps
from controller.guard.files import HeldError, take_lock
from controller.guard.rules import Charge, Lock
from controller.guard.wire import Charged
from controller.loop import Loop
from controller.report.digest import digest_message
from controller.report.views import all_views, in_a_sentence, status_view
from controller.settings import ConfigError, Settings
from controller.shells.forecast import Fetcher
from controller.shells.recovery import Found, endings, presume_used, used_openings
from controller.shells.telemetry import Telemetry
from controller.shells.valves import GuardGoneError, GuardProcess, take_last_words

LOG = logging.getLogger("seepward")

RELOAD = "reload"
"""Why the valves close before a new config is put to work."""
BEAT_S = 0.2
"""The loop comes round at least this often; the guard closes after several missed beats (its silence_s)."""
SHOW_EVERY_S = 0.5
GUARD_STARTS_MOST = 4
GUARD_STARTS_WITHIN_S = 3600.0
GUARD_READY_WITHIN_S = 15.0
GUARD_GONE_WITHIN_S = 3.0
GUARD_DEAF_S = 4.0
"""A guard that answers no beat for this long hangs: it is killed, and the next one claims every line at rest."""


class CannotStartError(Exception):
    """The daemon cannot do its work at all; its text is one line for the person."""


class Signals:
    """What the system has told this process, for whichever daemon runs in it."""

    def __init__(self) -> None:
        self.stop: str | None = None
        self.reload = False

    def listen(self) -> None:
        """From now on."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._told_to_stop)
        signal.signal(signal.SIGHUP, self._told_to_reload)

    def _told_to_stop(self, number: int, frame: FrameType | None) -> None:
        self.stop = f"received {signal.Signals(number).name}"

    def _told_to_reload(self, number: int, frame: FrameType | None) -> None:
        self.reload = True


class GuardLink:
    """The loop's way to the guard. A guard that is gone is told of by its reader thread, so nothing is raised here."""

    def __init__(self, guard: GuardProcess) -> None:
        self.guard = guard

    def open(self, zone: str, pulse: str, seconds: float) -> None:
        """Ask for an opening. The loop is alive when it does: it may have waited for the disk since its last beat."""
        self.beat()
        self._try(lambda: self.guard.open(zone, pulse, seconds))

    def close(self, zone: str | None, why: str) -> None:
        """Ask to close."""
        self._try(lambda: self.guard.close(zone, why))

    def noted(self, pulse: str) -> None:
        """Let the guard forget a closing."""
        self._try(lambda: self.guard.noted(pulse))

    def sense(self, name: str, on: bool) -> None:
        """Tell what a switch says."""
        self._try(lambda: self.guard.sense(name, on))

    def measure(self, litres: float) -> None:
        """Tell where the flow meter stands."""
        self._try(lambda: self.guard.measure(litres))

    def release(self, zone: str | None) -> None:
        """Release a lock."""
        self._try(lambda: self.guard.release(zone))

    def beat(self) -> None:
        """Say that the loop is alive."""
        self._try(self.guard.beat)

    def _try(self, say: Callable[[], None]) -> None:
        try:
            say()
        except GuardGoneError as error:
            LOG.debug("not said to the guard: %s", error)


class Outlet:
    """What the loop has come to, told to the broker and the log; the state at most twice a second."""

    def __init__(self, telemetry: Telemetry, started: datetime, mailer: Mailer | None) -> None:
        self._telemetry = telemetry
        self._mailer = mailer
        self._started = started
        self._latest: tuple[Site, Garden, Now] | None = None
        self._shown_mono_s = 0.0

    def show(self, site: Site, garden: Garden, now: Now) -> None:
        """Keep the newest state for the next telling."""
        self._latest = (site, garden, now)

    def said(self, note: Note) -> None:
        """A line for the log."""
        level = logging.WARNING if note.kind in ("fault", "refusal") else logging.INFO
        LOG.log(level, "%s%s", f"{note.zone}: " if note.zone else "", note.said)

    def answer(self, answer: Answer) -> None:
        """The answer to an ask."""
        self._telemetry.answer(answer)

    def send(self, site: Site, digest: Digest) -> None:
        """A message for the gardener: to the broker, and by mail if there is a server for it."""
        message = digest_message(site, digest)
        LOG.info("Told by message: %s.", message.subject)
        self._telemetry.send(message)
        if self._mailer is not None and not self._mailer.send(message.subject, message.text):
            LOG.warning("The digest of %s is not sent by mail: too many wait already.", digest.day)

    def tell(self, now: Now) -> None:
        """Tell the broker what has changed, if it is time."""
        if self._latest is None or now.mono_s - self._shown_mono_s < SHOW_EVERY_S:
            return
        site, garden, _ = self._latest
        self._shown_mono_s = now.mono_s
        own = {
            "started": self._started.astimezone(site.timezone).isoformat(timespec="seconds"),
            "version": __version__,
            "memory_mb": _memory_mb(),
            "refused_messages": dict(self._telemetry.refused),
        }
        views = all_views(site, garden, now)
        views["status"] = status_view(site, garden, now, **own)
        self._telemetry.show(views)


class Daemon:
    """One run by one config. CannotStartError or ConfigError if there is no use in beginning.

    reread: the config as it stands when a signal asks for it; ConfigError if it is wrong. trouble: what was wrong with
    the config that was to follow, if this is the old one again. `next` is the config to go on with, `failed` why this
    one did not come up; both None after a stop.
    """

    def __init__(
        self,
        settings: Settings,
        found: Found,
        reread: Callable[[], Settings],
        signals: Signals,
        trouble: str | None = None,
    ) -> None:
        self._settings = settings
        self._reread = reread
        self._signals = signals
        self._config_trouble = trouble
        self.next: Settings | None = None
        self.failed: str | None = None
        self._site = settings.build()
        self._inbox: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._journal, remembered, self._found = found.journal, found.garden, found.trouble
        self._clock = SystemClock(_latest(remembered))
        now = self._clock.now()
        if found.lost:
            presume_used(self._journal, settings.charge(), now)
        garden = new_garden(self._site, now) if remembered is None else fit_to_site(self._site, remembered, now)
        self._telemetry = Telemetry(settings.sensor, self._site.id, self._inbox.put, self._clock)
        self._link = self._broker_link()
        self._mailer = self._mail()
        self._outlet = Outlet(self._telemetry, now.utc, self._mailer)
        self._valves = GuardLink(GuardProcess(settings.guard.runtime_dir, self._inbox.put))
        self._loop = Loop(
            self._site, garden, clock=self._clock, valves=self._valves, journal=self._journal, outlet=self._outlet
        )
        self._forecast_file = self._journal.path.with_name("forecast.json")
        self._latch_file = self._journal.path.absolute().with_name("locked.json")
        self._fetcher = self._forecast_fetcher()
        self._alarms = Alarms(self._wake)
        self._mishaps = Mishaps()
        self._supervisor = Supervisor()
        self._guard_starts: deque[float] = deque(maxlen=GUARD_STARTS_MOST)
        self._guard_was_ready = False
        self._clock_gap_s = now.utc.timestamp() - now.mono_s
        self._armed_for: datetime | None = None

    def run(self) -> int:
        """Work until told to stop, or to go on with another config. The exit code: 0 stopped on purpose, 1 could not
        go on."""
        self._mishaps.install()
        for warning in self._settings.warnings():
            LOG.warning("%s", warning)
        try:
            self._begin()
            while self._signals.stop is None and self.next is None:
                self._round()
            LOG.info("%s.", f"Stopping: {self._signals.stop}" if self._signals.stop else "Going on with the new config")
            return 0
        except CannotStartError as error:
            LOG.error("%s", error)
            self._give_up(str(error))
            return 1
        except Exception:
            LOG.exception("Something is broken; all valves are closed and the daemon ends, to be started anew.")
            self._give_up("it broke at the start; the log says more")
            return 1
        finally:
            self._end()

    @property
    def garden(self) -> Garden:
        """What is known of the garden now."""
        return self._loop.garden

    def _give_up(self, why: str) -> None:
        self.failed = None if self._guard_was_ready else why

    # --- beginning and end ---

    def _begin(self) -> None:
        """Close first, remember what was cut, then connect."""
        self._await_free_lines()
        self._take(Started(self._found))
        self._take(Trouble("config", self._config_trouble))
        self._recover()
        self._start_guard()
        for part in (self._fetcher, self._mailer):
            if part is not None:
                part.start()
        self._start_alarms()
        self._link.start()
        self._await_guard()
        self._supervisor.ready()

    def _end(self) -> None:
        """Close the valves first; everything else may fail afterwards."""
        if self.next is not None and self._signals.stop is None:
            self._supervisor.reloading()
            self._valves.close(None, RELOAD)
        else:
            self._supervisor.stopping()
        code = self._valves.guard.stop()
        if code not in (0, None):
            LOG.warning("The guard ended with code %s.", code)
        for part in (self._fetcher, self._mailer):
            if part is not None:
                part.stop()
        self._alarms.stop()
        self._drain()
        self._loop.commit()
        self._telemetry.farewell()
        self._link.close()

    def _drain(self) -> None:
        """Write down what the guard has said while closing, so that the next start need not guess."""
        while not self._inbox.empty():
            event = self._inbox.get()
            if isinstance(event, ValveClosed):
                self._take(event)

    def _start_alarms(self) -> None:
        """A new alarm clock, set to what it should ring for."""
        self._alarms = Alarms(self._wake)
        self._alarms.every("commit", 600.0, self._wake)
        self._alarms.start()
        self._armed_for = None

    def _wake(self) -> None:
        self._inbox.put(Woke())

    # --- one round of the loop ---

    def _round(self) -> None:
        if self._signals.reload:
            self._signals.reload = False
            self._read_anew()
        self._valves.beat()
        now = self._clock.now()
        wait_s = min(BEAT_S, max(0.0, (self._loop.wake_at - now.utc).total_seconds()))
        with contextlib.suppress(queue.Empty):
            self._happen(self._inbox.get(timeout=wait_s))
        for event in self._telemetry.events():
            self._take(event)
            self._valves.beat()
        self._loop.look_in()
        self._arm(now)
        self._watch_parts(now)
        self._outlet.tell(now)
        self._supervisor.alive(in_a_sentence(self._site, self._loop.garden, now.utc))

    def _read_anew(self) -> None:
        """A config that is wrong changes nothing but a fault; a right one ends this daemon, and the next uses it."""
        try:
            fresh = self._reread()
        except ConfigError as error:
            first, *more = error.lines
            self._refuse_config(f"{first}{f' (and {len(more)} more; seepward check lists them)' if more else ''}")
            return
        if fresh.guard.runtime_dir != self._settings.guard.runtime_dir:
            self._refuse_config("[guard] runtime_dir changes with a restart only")
        elif fresh.journal.path != self._settings.journal.path:
            self._refuse_config("[journal] path changes with a restart only")
        else:
            self.next = fresh

    def _refuse_config(self, why: str) -> None:
        self._take(Trouble("config", f"The new config is wrong, the old one stays: {why}"))

    def _happen(self, event: Event) -> None:
        if not isinstance(event, GuardLost):
            self._take(event)
        elif self._signals.stop is None:
            self._guard_lost(event)

    def _take(self, event: Event) -> None:
        match event:
            case ValveOpened(zone):
                LOG.info("%s: water on.", zone)
            case ValveClosed(zone, _, open_s, why):
                LOG.info("%s: water off after %.1f min (%s).", zone, open_s / 60.0, why)
            case _:
                pass
        self._loop.take(event)

    def _arm(self, now: Now) -> None:
        """Set the alarm clock, which rings by the wall clock, to the instant the core asked for. (The loop looks in by
        itself too: two clocks.)"""
        wake_at = self._loop.wake_at - timedelta(seconds=round(now.behind_s))
        if wake_at != self._armed_for:
            self._armed_for = wake_at
            self._alarms.at("wake", wake_at)

    def _watch_parts(self, now: Now) -> None:
        """What should be alive, is it? A dead network thread is replaced, a hung guard is killed (and a new one started
        when its end is told), a stepped clock re-arms the alarms."""
        if self._mishaps.too_many(now.mono_s):
            raise CannotStartError("Threads keep ending by exceptions (see above); starting anew.")
        if overdue := self._alarms.overdue(now.mono_s):
            late = ", ".join(f"{name} {late_s:.0f} s ago" for name, late_s in overdue.items())
            LOG.warning("Alarms that should have rung: %s. The alarm clock is replaced.", late)
            self._alarms.stop()
            self._start_alarms()
        heard_s = self._valves.guard.heard_s
        if self._loop.garden.guard_ready and heard_s is not None and now.mono_s - heard_s > GUARD_DEAF_S:
            LOG.warning("The guard has not answered for %.0f s and is ended.", now.mono_s - heard_s)
            self._valves.guard.stop(within_s=0.0)
        if not self._link.network_alive():
            LOG.warning("The network thread to the broker has died; a new one is started.")
            self._link.restart()
        gap_s = now.utc.timestamp() - now.behind_s - now.mono_s
        if abs(gap_s - self._clock_gap_s) > 2.0:
            self._clock_gap_s = gap_s
            self._alarms.rebuild()
        up, said = self._link.state()
        down = "broker" in self._loop.garden.faults
        if up and down:
            self._take(Trouble("broker", None))
        elif not up and not down:
            self._take(Trouble("broker", said))

    # --- the guard ---

    def _await_free_lines(self) -> None:
        """An earlier daemon's guard may still be closing and writing its last words; then the lock is free."""
        directory = self._settings.guard.runtime_dir
        deadline_s = time.monotonic() + GUARD_GONE_WITHIN_S
        while True:
            try:
                os.makedirs(directory, exist_ok=True)
                os.close(take_lock(directory))
                return
            except HeldError as error:
                if time.monotonic() > deadline_s:
                    raise CannotStartError(f"Another Seepward is running: {error}.") from None
            except OSError as error:
                raise CannotStartError(f"The guard's directory cannot be used ({error}).") from None
            time.sleep(0.05)

    def _start_guard(self) -> None:
        self._guard_starts.append(time.monotonic())
        used = used_openings(self._journal, self._clock.now())
        locks = tuple(Lock(lock.rule, lock.why, lock.zone) for lock in self._loop.garden.locks)
        settings = self._settings
        charge = with_flows(replace(settings.charge(), used=used, locks=locks), self._loop.garden.flows)
        self._valves.guard = GuardProcess(settings.guard.runtime_dir, self._inbox.put)
        self._valves.guard.start(
            Charged(charge, settings.pins.driver, settings.lines(), settings.inlets(), str(self._latch_file))
        )

    def _await_guard(self) -> None:
        """The first guard must come up; without it there is nothing to do here."""
        deadline_s = time.monotonic() + GUARD_READY_WITHIN_S
        said = "the guard did not come up in time"
        while not self._loop.garden.guard_ready:
            try:
                event = self._inbox.get(timeout=max(0.0, deadline_s - time.monotonic()))
            except queue.Empty:
                raise CannotStartError(f"No valve can be opened: {said}.") from None
            if isinstance(event, GuardLost):
                said = self._loop.garden.faults["lines"].said if "lines" in self._loop.garden.faults else event.why
                raise CannotStartError(f"No valve can be opened: {said.rstrip('.')}.")
            self._take(event)
        self._guard_was_ready = True

    def _guard_lost(self, event: GuardLost) -> None:
        """Take over what the old guard left, and start a new one; a guard that keeps dying ends the daemon."""
        self._take(event)
        self._valves.guard.stop()
        self._recover()
        starts = self._guard_starts
        if len(starts) == starts.maxlen and time.monotonic() - starts[0] < GUARD_STARTS_WITHIN_S:
            raise CannotStartError(f"The guard has died {len(starts)} times within an hour: {event.why}")
        self._start_guard()

    def _recover(self) -> None:
        """Openings whose end nobody wrote down: by the guard's last words if there are any, else by a bound."""
        unfinished, known = self._journal.unfinished(), self._journal.known()
        words: dict[str, dict[str, Any]] = {}

        def note(closings: list[dict[str, Any]]) -> None:
            words.update({str(closing["pulse"]): closing for closing in closings})
            for closed in endings(unfinished, words, known):
                self._take(closed)

        try:
            if take_last_words(self._settings.guard.runtime_dir, note) > 0:
                return
        except (OSError, ValueError) as error:
            LOG.warning("The guard's last words cannot be read: %s", error)
        for closed in endings(unfinished, {}):
            self._take(closed)

    # --- parts ---

    def _broker_link(self) -> MqttLink:
        mqtt = self._settings.mqtt
        link = MqttLink(
            broker_address(self._settings),
            f"seepward-{self._site.id}",
            subscriptions=self._telemetry.subscriptions(),
            will=self._telemetry.will(),
            on_message=self._telemetry.receive,
            on_state=self._telemetry.link_changed,
        )
        self._telemetry.attach(link)
        LOG.info("Broker: %s, MQTT %s.", mqtt.host, mqtt.protocol)
        return link

    def _mail(self) -> Mailer | None:
        server = mail_server(self._settings)
        return None if server is None else Mailer(server, lambda why: self._inbox.put(Trouble("mail", why)))

    def _forecast_fetcher(self) -> Fetcher | None:
        wanted = forecast_source(self._settings)
        if wanted is None:
            return None
        source, place = wanted
        keep = self._forecast_file
        every_s = self._settings.forecast.every_h * 3600.0
        return Fetcher(source, place, self._inbox.put, self._clock, every_s=every_s, keep=keep)


def with_flows(charge: Charge, flows: Mapping[str, LearntFlow]) -> Charge:
    """The charge with the flows that the meter has taught; never more than the supply gives, or nothing would open."""
    valves = {
        zone: replace(rule, flow_l_min=min(charge.supply_of(zone).capacity_l_min, flows[zone].l_min))
        if zone in flows
        else rule
        for zone, rule in charge.valves.items()
    }
    return replace(charge, valves=valves)


def _latest(garden: Garden | None) -> datetime:
    """An instant that has surely passed: the last one that the remembered garden knows."""
    beds = garden.beds.values() if garden is not None else ()
    return max((bed.as_of for bed in beds), default=SystemClock().now().utc.replace(year=2026, month=1, day=1))


def _memory_mb() -> int:
    """Resident memory of this process, from the kernel: in whole MB, or the status would change every second."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return round(pages * os.sysconf("SC_PAGE_SIZE") / 1e6)
