"""What a flow meter tells of the valves: burst, no flow, a valve that does not close, leak, drip.

Pure as the rules are: monotonic seconds, litres of a counter that only rises, flows in L/min. Every verdict stands on
a bound, not on a rate: between two looks at a counter at least one pulse less and at most one pulse more has passed
than was counted. So a coarse meter is slow to judge, but its coarseness alone never condemns a valve.

Process safety times: a burst within 10 s, a dry pump within 10 s, a leak within 60 s of the first looks that count.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Literal

BURST_SHARE = 1.3
"""So many times the flow that is expected is a burst, or a hose that has come off (common practice, no source)."""
DRY_SHARE = 0.3
"""Less than this share of it: blocked, tap closed, pump dry. More than it of a valve just closed: it did not close."""
BURST_S, DRY_S, LEAK_S, SHUT_S, DRIP_S = 10.0, 15.0, 60.0, 10.0, 600.0
SHUT_WITHIN_S = 60.0
"""Flow that begins later than this after a closing is not of the valve that was closed."""
FILL_S, DRAIN_S = 20.0, 10.0
"""Lines fill fast and empty slowly: for so long the flow says nothing (common practice, no source)."""
DRIP_PULSES, DRIP_TIMES = 2, 3
KEPT_S, LOOKS_APART_S = 600.0, 1.0
ALONE_S, ALONE_PULSES = 60.0, 20
NONSENSE = 4.0
"""A meter that tells of so many times what the supply can give has caught sparks, not water."""

Kind = Literal["burst", "no flow", "flows", "does not close", "leak", "drip", "quiet", "nonsense"]


@dataclass(frozen=True, slots=True)
class MeterRule:
    """The meter, and when what it says is too much.

    litres_per_pulse: its step. capacity_l_min: what the supply gives. leak_l_min, burst_l_min: flow with all valves
    closed from which it is a leak, or a burst; below is a drip. dry_s: no flow for so long is one; shorter for a pump.
    supply: id of the supply that it measures.
    """

    litres_per_pulse: float
    capacity_l_min: float
    leak_l_min: float = 0.2
    burst_l_min: float = 5.0
    dry_s: float = DRY_S
    supply: str = "supply"

    def __post_init__(self) -> None:
        for name in ("litres_per_pulse", "capacity_l_min", "leak_l_min", "burst_l_min", "dry_s"):
            if not 0.0 < getattr(self, name) < math.inf:
                raise ValueError(f"{name} must be a finite number above 0, not {getattr(self, name)}")


@dataclass(frozen=True, slots=True)
class Finding:
    """A verdict, with the flow it stands on, L/min: at least so much, or of `no flow` at most."""

    kind: Kind
    l_min: float


@dataclass(frozen=True, slots=True)
class Counted:
    """What the meter has counted for one pulse. l_min: its flow while it flowed alone, None if it hardly did."""

    litres: float
    l_min: float | None


@dataclass(slots=True)
class _Share:
    """What one pulse has had of the water so far; seconds and litres while its valve alone let water through."""

    litres: float = 0.0
    alone_s: float = 0.0
    alone_l: float = 0.0


@dataclass(frozen=True, slots=True)
class _Look:
    at_s: float
    litres: float


_at_s = attrgetter("at_s")


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A time in which the same pulses had water: the expected flow of each, L/min; settled: their lines were full."""

    seconds: float
    flows: Mapping[str, float]
    settled: bool

    @property
    def litres(self) -> float:
        return self.seconds / 60.0 * sum(self.flows.values())


@dataclass
class Watch:
    """Fed with every look at the meter (`look`) and every change of the open paths (`change`)."""

    rule: MeterRule
    _flows: Mapping[str, float] = field(default_factory=dict)
    _since_s: float = -math.inf
    _closed_l_min: float = 0.0
    _looks: list[_Look] = field(default_factory=list)
    _last: _Look | None = None
    _stretches: list[_Stretch] = field(default_factory=list)
    _stretched_s: float = -math.inf
    _shares: dict[str, _Share] = field(default_factory=dict)
    _told: set[Kind] = field(default_factory=set)
    _drips: list[float] = field(default_factory=list)
    _drip_from: _Look | None = None

    def change(self, flows: Mapping[str, float], now_s: float) -> None:
        """From now on water can flow for these pulses, with so many L/min each; for none: every path is closed."""
        if flows == self._flows:
            return
        self._stretch(now_s)
        self._closed_l_min = sum(flow for pulse, flow in self._flows.items() if pulse not in flows)
        self._flows, self._since_s = dict(flows), now_s
        self._looks.clear()
        self._told -= {"burst", "no flow", "flows", "does not close"}
        self._drips, self._drip_from = [], None
        for pulse in flows:
            self._shares.setdefault(pulse, _Share())

    def look(self, litres: float, now_s: float) -> list[Finding]:
        """The counter stands at so many litres: what that tells."""
        self._stretch(now_s)
        last, self._last = self._last, _Look(now_s, litres)
        if last is None or litres < last.litres:  # the first look, or a meter that was started anew
            self._stretches.clear()
            self._looks = [self._last]
            return []
        if self._nonsense(last):
            self._stretches.clear()
            self._looks = [self._last]
            return self._tell([Finding("nonsense", (litres - last.litres) / max(1e-3, now_s - last.at_s) * 60.0)])
        self._share_out(litres - last.litres)
        del self._looks[: bisect_left(self._looks, now_s - KEPT_S, key=_at_s)]
        found = self._open() if self._flows else self._closed()
        if not self._looks or now_s >= self._looks[-1].at_s + LOOKS_APART_S:
            self._looks.append(self._last)
        return self._tell(found)

    def counted(self, pulse: str, now_s: float) -> Counted | None:
        """What a pulse that ends now has had, by the meter; None if the meter has been silent for too long."""
        self._stretch(now_s)
        share = self._shares.pop(pulse, _Share())
        if self._last is None or now_s - self._last.at_s > LEAK_S:
            return None
        unseen = sum(each.seconds / 60.0 * each.flows.get(pulse, 0.0) for each in self._stretches)
        sure = share.alone_s >= ALONE_S and share.alone_l >= ALONE_PULSES * self.rule.litres_per_pulse
        return Counted(share.litres + unseen, share.alone_l / share.alone_s * 60.0 if sure else None)

    def _stretch(self, now_s: float) -> None:
        from_s = max(self._stretched_s, self._since_s)
        if self._flows and now_s > from_s:
            settled = from_s >= self._since_s + FILL_S
            self._stretches.append(_Stretch(now_s - from_s, self._flows, settled))
        self._stretched_s = now_s

    def _share_out(self, litres: float) -> None:
        """Give what was counted to the pulses that had water meanwhile, by time and flow."""
        expected = sum(each.litres for each in self._stretches)
        for stretch in self._stretches:
            part = litres * stretch.litres / expected
            for pulse, flow in stretch.flows.items():
                if pulse not in self._shares:
                    continue  # it has ended, and was told what was expected of the rest
                share = self._shares[pulse]
                share.litres += part * flow / sum(stretch.flows.values())
                if len(stretch.flows) == 1 and stretch.settled:
                    share.alone_s += stretch.seconds
                    share.alone_l += part
        self._stretches.clear()

    def _nonsense(self, last: _Look) -> bool:
        assert self._last is not None, "a look has just been taken"
        most = NONSENSE * self.rule.capacity_l_min * (self._last.at_s - last.at_s) / 60.0
        return self._last.litres - last.litres > most + 2 * self.rule.litres_per_pulse

    def _open(self) -> list[Finding]:
        expected = sum(self._flows.values())
        burst = self._least(self._since_s + FILL_S, BURST_S)
        if burst > BURST_SHARE * expected:
            return [Finding("burst", burst)]
        dry = self._most(self._since_s, self.rule.dry_s)
        if dry < DRY_SHARE * expected:
            return [Finding("no flow", dry)]
        flows = self._least(self._since_s, self.rule.dry_s)
        return [Finding("flows", flows)] if flows > DRY_SHARE * expected else []

    def _closed(self) -> list[Finding]:
        assert self._last is not None, "a look has just been taken"
        drained_s = self._since_s + DRAIN_S
        least = self._least(drained_s, SHUT_S)
        if least > DRY_SHARE * self._closed_l_min > 0.0 and self._last.at_s <= drained_s + SHUT_WITHIN_S:
            return [Finding("does not close", least)]
        if least > self.rule.burst_l_min:
            return [Finding("burst", least)]
        leak = self._least(drained_s, LEAK_S)
        if leak > self.rule.leak_l_min:
            return [Finding("leak", leak)]
        return self._dripping(drained_s)

    def _dripping(self, drained_s: float) -> list[Finding]:
        """A few pulses in each of several stretches, one after the other; once is only a pipe that warms up."""
        assert self._last is not None, "a look has just been taken"
        if self._last.at_s < drained_s:
            return []
        if self._drip_from is None:
            self._drip_from = self._last
        passed_s = self._last.at_s - self._drip_from.at_s
        if passed_s < DRIP_S:
            return []
        litres = self._last.litres - self._drip_from.litres
        self._drips = [*self._drips, litres / passed_s * 60.0][-DRIP_TIMES:]
        self._drip_from = self._last
        if litres < DRIP_PULSES * self.rule.litres_per_pulse:
            self._drips.clear()
            return [Finding("quiet", 0.0)]
        return [Finding("drip", min(self._drips))] if len(self._drips) == DRIP_TIMES else []

    def _tell(self, found: list[Finding]) -> list[Finding]:
        """Each kind once, until something has changed; a quiet stretch ends leak, drip and nonsense."""
        new = [each for each in found if each.kind not in self._told]
        self._told |= {each.kind for each in new}
        if any(each.kind == "quiet" for each in found):
            new = [each for each in new if each.kind != "quiet" or self._told & {"leak", "drip", "nonsense"}]
            self._told -= {"leak", "drip", "quiet", "nonsense"}
        return new

    def _least(self, from_s: float, seconds: float) -> float:
        """The highest lower bound of the flow up to the last look, of all stretches this long that begin after
        `from_s`, L/min."""
        last, looks = self._looked_back(from_s, seconds)
        least_l = last.litres - self.rule.litres_per_pulse
        if not looks or least_l <= looks[0].litres:
            return 0.0  # the longest stretch has the most water
        return max((least_l - look.litres) / (last.at_s - look.at_s) for look in looks) * 60.0

    def _most(self, from_s: float, seconds: float) -> float:
        """The lowest upper bound of the same."""
        last, looks = self._looked_back(from_s, seconds)
        most_l = last.litres + self.rule.litres_per_pulse
        return min(((most_l - look.litres) / (last.at_s - look.at_s) for look in looks), default=math.inf) * 60.0

    def _looked_back(self, from_s: float, seconds: float) -> tuple[_Look, list[_Look]]:
        """The last look, and those from `from_s` on that are at least so long before it."""
        assert self._last is not None, "a look has just been taken"
        first = bisect_left(self._looks, from_s, key=_at_s)
        return self._last, self._looks[first : bisect_right(self._looks, self._last.at_s - seconds, key=_at_s)]
