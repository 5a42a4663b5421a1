"""The search behind a tight laying: in which order to lay pulses so that the last one ends early.

Time is cut into cells and the free flow of each is one byte, so that the two steps that matter run at the speed of
bytes: "where does it fit first" is one translate and one find, "take it" is one translate. Any order of the pulses,
each laid as early as the ones before it leave room, is a schedule; the best schedule is one of these (serial schedule
generation; Kolisch 1996, European Journal of Operational Research 90). So the search is over orders:

- shake: move a few pulses, or one row's, to other places in the order, and lay it;
- squeeze: lay the result again from its end back, then again from its start, as long as that gains time (justification;
  Valls, Ballestin and Quintanilla 2005, European Journal of Operational Research 165);
- keep it unless it is longer than the one before it; begin anew from an order by lot when nothing is gained for long.

No schedule ends before its longest row or before the free flow that its pulses need has gone by: there the search
stops. Otherwise it stops when its effort is spent. Its chances come from its own generator: same input, same output.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate

FULL = 255
"""The most units of flow in a cell: what a byte holds."""
SLACK = 0.03
"""An order that comes out longer than the shortest by more than this share is not worth squeezing."""
TRIES_PER_PULSE = 20
"""So many tries in vain for each pulse, and the search begins anew."""
MOST_MOVED = 6
SHIFTS = (0.025, 0.07, 0.25)
"""How far a pulse is moved in the order, in shares of the makespan: near, across a rest, far."""
ROW_SHIFTS = (-1.0, -0.25, -0.07, 0.07)
"""How far a whole row is moved: to the front of all, or a little."""
ROW_MOVED_ONE_IN = 3


@dataclass(frozen=True, slots=True)
class Row:
    """A zone's pulses in cells of time and units of flow.

    turns: for each pulse its length and the least time from its start to the next one's start. ready: earliest start.
    """

    turns: tuple[tuple[int, int], ...]
    units: int
    ready: int = 0

    @property
    def end(self) -> int:
        """The earliest end of the row if nothing stood in its way."""
        return self.ready + sum(period for _, period in self.turns[:-1]) + self.turns[-1][0]


Placed = tuple[int, int, int]
"""A pulse in its place: (start, end, number of its row)."""


def best_order(
    rows: Sequence[Row], free: bytes, first: Sequence[int], effort: int, enough: int | None = None
) -> list[int]:
    """The numbers of the rows in the order in which their pulses are best laid: each row as often as it has pulses.

    free: the units of flow that each cell has to give; its length is the latest end. first: an order to begin with.
    effort: how much to lay, in pulses (see `_Search.spent`); the search ends with the first laying beyond it.
    enough: an end that is early enough. The search stops there, and does not begin if no order can come so far.
    """
    search = _Search(rows, free)
    bound = search.lower_bound()
    goal = bound if enough is None else enough
    if goal < bound:
        return list(first)
    starts = [search.squeezed(order, len(free)) for order in (first, *_simple_orders(rows))]
    best = min((placed for placed in starts if placed is not None), key=_makespan, default=None)
    if best is None:
        return list(first)
    chance = _Chance()
    best = _descended(search, best, goal, effort, chance)
    while search.spent < effort and _makespan(best) > goal:
        fresh = search.squeezed(_shuffled(first, chance), len(free))
        if fresh is not None:
            best = min(best, _descended(search, fresh, goal, effort, chance), key=_makespan)
    return [row for _, _, row in sorted(best)]


def _descended(search: "_Search", placed: list[Placed], goal: int, effort: int, chance: "_Chance") -> list[Placed]:
    """What shaking makes of a schedule until it has gained nothing for long, or the goal or the effort is reached."""
    length, in_vain = _makespan(placed), 0
    while length > goal and search.spent < effort and in_vain < TRIES_PER_PULSE * len(placed):
        in_vain += 1
        limit = min(len(search.free), int(length * (1.0 + SLACK)) + 1)
        tried = search.squeezed(_shaken(placed, length, chance), limit)
        if tried is not None and _makespan(tried) <= length:
            if _makespan(tried) < length:
                length, in_vain = _makespan(tried), 0
            placed = tried
    return placed


class _Search:
    """Lays orders of the rows' pulses into the free cells, and counts what that costs."""

    def __init__(self, rows: Sequence[Row], free: bytes) -> None:
        self.rows = rows
        self.free = free
        self.spent = 0.0
        self._turns = [
            [
                (length, period, _table(row.units, fits=True), _table(row.units, fits=False), b"\1" * length)
                for length, period in row.turns
            ]
            for row in rows
        ]
        self._turns_back = [turns[::-1] for turns in self._turns]
        self._ready = [row.ready for row in rows]

    def squeezed(self, order: Sequence[int], limit: int) -> list[Placed] | None:
        """The order laid, then justified back and forth as long as that gains time; None if it does not fit."""
        placed = self._laid(order, limit)
        while placed is not None:
            length = _makespan(placed)
            again = self._laid([row for _, _, row in sorted(self._pushed_back(placed, length))], length)
            if again is None or _makespan(again) >= length:
                return again or placed
            placed = again
        return None

    def lower_bound(self) -> int:
        """No schedule ends before its longest row, nor before what its pulses need has been free, nor before the
        pulses have passed of which no more than so many go side by side (for every such number)."""
        longest = max(row.end for row in self.rows)
        lengths = [sum(length for length, _ in row.turns) for row in self.rows]
        needed = sum(row.units * length for row, length in zip(self.rows, lengths, strict=True))
        volume = sum(1 for so_far in accumulate(self.free) if so_far < needed) + 1
        most = max(self.free)
        side_by_side = [
            -(-sum(n for row, n in zip(self.rows, lengths, strict=True) if row.units * (many + 1) > most) // many)
            for many in range(1, 1 + most // min(row.units for row in self.rows))
        ]
        return max(longest, volume, *side_by_side)

    def _laid(self, order: Sequence[int], limit: int) -> list[Placed] | None:
        """Every pulse, in this order, as early as there is room; None if one of them would end after the limit."""
        free = bytearray(self.free[:limit])
        ready = self._ready.copy()
        turns = [iter(row) for row in self._turns]
        placed: list[Placed] = []
        self._spend(len(order), limit)
        for row in order:
            length, period, fits, less, run = next(turns[row])
            earliest = ready[row]
            wait = free[earliest:].translate(fits).find(run)
            if wait < 0:
                return None
            start = earliest + wait
            end = start + length
            free[start:end] = free[start:end].translate(less)
            ready[row] = start + period
            placed.append((start, end, row))
        return placed

    def _pushed_back(self, placed: Iterable[Placed], limit: int) -> list[Placed]:
        """Every pulse, the last to end first, as late as there is room before the limit: never earlier than it was."""
        free = bytearray(self.free[:limit])
        latest = [limit] * len(self.rows)  # for a row's next pulse (backwards) the latest start of the one after it
        turns = [iter(row) for row in self._turns_back]
        pushed: list[Placed] = []
        order = [row for _, _, row in sorted(placed, key=_end, reverse=True)]
        self._spend(len(order), limit)
        for row in order:
            length, period, fits, less, run = next(turns[row])
            until = latest[row] if latest[row] == limit else latest[row] - period + length
            start = free[:until].translate(fits).rfind(run)
            free[start : start + length] = free[start : start + length].translate(less)
            latest[row] = start
            pushed.append((start, start + length, row))
        return pushed

    def _spend(self, pulses: int, cells: int) -> None:
        """A laying takes as long as its pulses and some four more; a pulse in a thousand cells twice as long."""
        self.spent += (pulses + 4) * (1.0 + cells / 1000.0)


class _Chance:
    """Numbers that look drawn by lot, always the same ones (a linear congruential generator with Knuth's factors:
    The Art of Computer Programming 2, section 3.3.4, MMIX)."""

    def __init__(self) -> None:
        self._state = 1

    def share(self) -> float:
        """From 0 up to, not including, 1."""
        self._state = (self._state * 6364136223846793005 + 1442695040888963407) & 0xFFFFFFFFFFFFFFFF
        return (self._state >> 11) / 9007199254740992.0

    def below(self, most: int) -> int:
        return int(self.share() * most)


def _shaken(placed: Sequence[Placed], length: int, chance: _Chance) -> list[int]:
    """The order of the pulses by their starts, with a few of them, and now and then one whole row, moved."""
    keys = [(float(start), row) for start, _, row in placed]
    for _ in range(1 + chance.below(MOST_MOVED)):
        which = chance.below(len(keys))
        start, row = keys[which]
        keys[which] = start + length * SHIFTS[chance.below(len(SHIFTS))] * (2.0 * chance.share() - 1.0), row
    if chance.below(ROW_MOVED_ONE_IN) == 0:
        moved, shift = keys[chance.below(len(keys))][1], length * ROW_SHIFTS[chance.below(len(ROW_SHIFTS))]
        keys = [(start + shift if row == moved else start, row) for start, row in keys]
    return [row for _, row in sorted(keys)]


def _shuffled(order: Iterable[int], chance: _Chance) -> list[int]:
    return [row for _, row in sorted((chance.share(), row) for row in order)]


def _simple_orders(rows: Sequence[Row]) -> list[list[int]]:
    """Whole rows one after another: the widest first; the longest first."""
    numbers = range(len(rows))
    by_width = sorted(numbers, key=lambda n: (-rows[n].units, n))
    by_length = sorted(numbers, key=lambda n: (-rows[n].end, n))
    return [[n for n in order for _ in rows[n].turns] for order in (by_width, by_length)]


def _table(units: int, *, fits: bool) -> bytes:
    """For each free flow of a cell: whether `units` fit into it, or what is left when they are taken."""
    return bytes(int(free >= units) if fits else max(0, free - units) for free in range(FULL + 1))


def _end(placed: Placed) -> int:
    return placed[1]


def _makespan(placed: Iterable[Placed]) -> int:
    return max(end for _, end, _ in placed)
