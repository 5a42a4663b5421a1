"""The mistakes: a file, what stands there, and what a slip of the hand might have left instead."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Mistake:
    """One change of the source. said: what is wrong then."""

    said: str
    file: str
    right: str
    wrong: str


RULES, JOURNAL, LOOP = "guard/rules.py", "shells/journal.py", "loop.py"
FLOW = "guard/flow.py"
RECOVERY, ASKS, STEP = "shells/recovery.py", "core/asks.py", "core/step.py"

MISTAKES: tuple[Mistake, ...] = (
    Mistake("the longest opening is off by a little", RULES, "if ask.seconds <= longest_s:",
            "if ask.seconds <= 1.01 * longest_s + 2.0:"),
    Mistake("an opening ends late", RULES, "grant = Grant(valve, pulse, now_s, now_s + seconds)",
            "grant = Grant(valve, pulse, now_s, now_s + 1.1 * seconds)"),
    Mistake("a silent daemon is not noticed", RULES,
            "return self.charge is None or now_s >= self.heard_s + self.charge.silence_s",
            "return self.charge is None"),
    Mistake("the 24 hours allow a tenth too much", RULES, "if used_s <= most_s * (1 + ROUNDING):",
            "if used_s <= most_s * 1.1:"),
    Mistake("the 24 hours are 12", RULES, "DAY_S = 86_400.0", "DAY_S = 43_200.0"),
    Mistake("what was used before this guard is not counted", RULES,
            "for used in self.charge.used:", "for used in ():"),
    Mistake("an ended opening is not booked", RULES,
            "self._ledger.append(_Span(grant.valve, grant.opened_s, now_s, supposed_l))", "pass"),
    Mistake("a valve may be opened twice at once", RULES, "        if grant.valve == ask.valve:\n            return f",
            "        if False:\n            return f"),
    Mistake("the master does not lead", RULES, "first.opened_s + master.lead_s <= now_s", "first.opened_s <= now_s"),
    Mistake("the master does not trail", RULES, "now_s < last.closes_at_s - master.trail_s",
            "now_s < last.closes_at_s"),
    Mistake("the supply counts one zone too few", RULES,
            "valves = [*(grant.valve for grant in charge.on_supply(supply, guard.grants)), ask.valve]",
            "valves = [grant.valve for grant in charge.on_supply(supply, guard.grants)]"),
    Mistake("two of a pair may be open together", RULES, "if valve == ask.valve and rival in others:", "if False:"),
    # The refusal and the pump's own line each see to its rest alone, so this is made in what both go by.
    Mistake("a pump need not rest", RULES, "self._off_since_s[name] = now_s", "pass"),
    Mistake("a new guard forgets the pump's rest", RULES,
            "self._off_since_s[supply] = max(until_s, self._off_since_s.get(supply, -math.inf))", "pass"),
    Mistake("what is locked may be opened", RULES, "    return None if lock is None else f",
            "    return None if True else f"),
    Mistake("a lock is forgotten by a new guard", RULES,
            "        self.locks |= {lock.valve: lock for lock in self.charge.locks}\n", ""),
    Mistake("a burst is borne", FLOW, "if burst > BURST_SHARE * expected:", "if burst > 10.0 * expected:"),
    Mistake("a meter's litres are not booked", LOOP,
            "passed_l = supposed_l if event.litres is None else event.litres", "passed_l = supposed_l"),
    Mistake("a slow meter condemns a sound line", FLOW, "dry < DRY_SHARE * expected", "dry < 1.1 * expected"),
    Mistake("the intent of an opening is not written", LOOP, "self._journal.intend(action, now)", "pass"),
    Mistake("the valve is opened before the intent is written", LOOP,
            "        must_commit = self._write_down(event, outcome.actions)\n",
            "        [self._valves.open(each.zone, each.pulse, each.seconds)\n"
            "         for each in outcome.actions if isinstance(each, Open)]\n"
            "        must_commit = self._write_down(event, outcome.actions)\n"),
    Mistake("litres are booked as planned, not as given", LOOP,
            "self.site.supply_of(event.zone).drawn_l(line, event.open_s, event.water_s)",
            "self.site.supply_of(event.zone).drawn_l(line, 600.0, 600.0)"),
    Mistake("commits do not wait for the disk", JOURNAL, "PRAGMA synchronous = FULL", "PRAGMA synchronous = NORMAL"),
    Mistake("how long ago is counted on the wall clock", JOURNAL,
            "return lived_s + (now.mono_s - mono_s if now.mono_s >= mono_s else now.mono_s)",
            "return now.utc.timestamp()"),
    Mistake("a boot counts as no time lived", JOURNAL, "if now.mono_s >= mono_s else now.mono_s)",
            "if now.mono_s >= mono_s else 86_400.0)"),
    Mistake("a pulse opened again overwrites what it gave", JOURNAL,
            'if before is not None and before["closed"] is not None:', "if False:"),
    Mistake("a vanished file is not noticed", JOURNAL,
            'if str(self.path) == ":memory:" or (not self._away and _inode(self.path) == self._inode):',
            'if str(self.path) == ":memory:" or not self._away:'),
    Mistake("the spare state is not read", JOURNAL, "        spare = _read_spare(self._spare)\n",
            "        spare = None\n"),
    Mistake("an end that nobody saw is stated as sure", RECOVERY, "half_s, UNSEEN, unsure_s=half_s)",
            "half_s, UNSEEN, unsure_s=0.0)"),
    Mistake("the guard's last words are not read", RECOVERY, "        if word is not None:", "        if False:"),
    Mistake("the new guard is not told of the last day", RECOVERY, "for used in journal.used_within(DAY_S, now)",
            "for used in ()"),
    Mistake("a lost past counts as nothing used", RECOVERY, "    for valve, rule in charge.valves.items():",
            "    for valve, rule in ():"),
    Mistake("an ask that was heard is not remembered", ASKS,
            "heard = (*after.heard, Heard(ask.id, ok, said, now.utc))[-HEARD_KEPT:]", "heard = after.heard"),
    Mistake("what was heard is forgotten at a start", STEP,
            "    return replace(\n        garden,\n        beds={zone: garden.beds.get",
            "    return replace(\n        garden,\n        heard=(),\n        beds={zone: garden.beds.get"),
    Mistake("an ask that the broker had kept is acted on", "shells/telemetry.py",
            "refused = NOT_KEPT if arrival.message.retained else self._too_late(wish, arrival)",
            "refused = self._too_late(wish, arrival)"),
)
