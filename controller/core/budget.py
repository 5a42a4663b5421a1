"""How much water may still be given: budgets per day, week or month, in litres or in money.

All is counted by civil days: what the garden has been given (its ledger, which outlives a restart) and what is planned.
Money is reckoned back into litres by the tariff, whose price rises in steps with the month's consumption; the house's
own share of that comes first, so the garden pays the dearer end.

A budget of a week or a month that will not last is spread over the days that are left of it. While it lasts, nobody is
kept short for its sake.
"""

from collections.abc import Iterable, Mapping
from datetime import date, timedelta

from controller.core.garden import Garden, Pulse
from controller.core.moment import local_date
from controller.core.site import Budget, Site, Tariff

LITRES = Mapping[date, float]
"""What the zones of a budget get, or have got, day by day."""

Given = Mapping[date, Mapping[str, float]]
"""Litres by civil day and zone."""

ONE_DAY = timedelta(days=1)
KEPT_DAYS = 62
"""A month and a week that began before it."""


def counted(budget: Budget, site: Site, garden: Garden, coming: Iterable[Pulse]) -> dict[date, float]:
    """What the zones of a budget have been given on each day, with the pulses that are running or still to come."""
    days: dict[date, float] = {}
    for day, litres in garden.given.items():
        mine = sum(each for zone, each in litres.items() if counts(budget, zone))
        days[day] = days.get(day, 0.0) + mine
    for pulse in coming:
        if pulse.ahead and counts(budget, pulse.zone):
            day = local_date(pulse.start, site.timezone)
            days[day] = days.get(day, 0.0) + pulse.litres + site.zone(pulse.zone).line.fill_l
    return days


def counts(budget: Budget, zone: str) -> bool:
    """Whether a zone's water is on a budget."""
    return not budget.zones or zone in budget.zones


def left_l(budget: Budget, days: LITRES, day: date) -> float:
    """Litres that may still be given on a day without passing the budget; 0 or more."""
    used = _used(budget, days, day)
    if budget.tariff is None:
        return max(0.0, budget.most - used)
    month_l = sum(litres for each, litres in days.items() if _same_month(each, day))
    return _litres_for(budget.tariff, month_l, max(0.0, budget.most - used))


def today_l(budget: Budget, days: LITRES, day: date, day_l: float, ahead: int) -> float:
    """Litres for a day: all that are left while they last, else the day's share.

    day_l: what the zones of the budget draw in a day. ahead: days after this one that its water must last for.
    """
    _, end = period(budget, day)
    left, left_days = left_l(budget, days, day), (end - day).days
    if left >= day_l * left_days:
        return left
    had_l = days.get(day, 0.0)
    return min(left, max(0.0, (left + had_l) * min(1.0, (1 + ahead) / left_days) - had_l))


def period(budget: Budget, day: date) -> tuple[date, date]:
    """The first day of the day, week or month that a day is in, and the first of the next. Weeks begin on Monday."""
    if budget.per == "day":
        return day, day + ONE_DAY
    if budget.per == "week":
        monday = day - day.weekday() * ONE_DAY
        return monday, monday + 7 * ONE_DAY
    first = day.replace(day=1)
    return first, (first + 31 * ONE_DAY).replace(day=1)


def with_given(given: Given, day: date, zone: str, litres: float) -> dict[date, dict[str, float]]:
    """The ledger with some litres more; days long past are dropped."""
    kept = {each: dict(of_day) for each, of_day in given.items() if each > day - KEPT_DAYS * ONE_DAY}
    of_day = kept.setdefault(day, {})
    of_day[zone] = of_day.get(zone, 0.0) + litres
    return kept


def none_after(given: Given, today: date) -> dict[date, dict[str, float]]:
    """The ledger without days that a wrong clock has put into the future: that water was given, by today."""
    fresh: dict[date, dict[str, float]] = {}
    for day, of_day in given.items():
        kept = fresh.setdefault(min(day, today), {})
        for zone, litres in of_day.items():
            kept[zone] = kept.get(zone, 0.0) + litres
    return fresh


def _used(budget: Budget, days: LITRES, day: date) -> float:
    """What of the budget is used in the period of a day, in its own unit."""
    first, end = period(budget, day)
    mine = sorted(each for each in days if first <= each < end)
    if budget.tariff is None:
        return sum(days[each] for each in mine)
    spent = 0.0
    for each in mine:
        before_l = sum(litres for other, litres in days.items() if _same_month(other, each) and other < each)
        spent += cost(budget.tariff, before_l + days[each]) - cost(budget.tariff, before_l)
    return spent


def cost(tariff: Tariff, garden_l: float) -> float:
    """What a month's water of the garden costs, on top of the house's."""
    return _price(tariff, tariff.house_m3 + garden_l / 1000.0) - _price(tariff, tariff.house_m3)


def _price(tariff: Tariff, m3: float) -> float:
    below, total = 0.0, 0.0
    for up_to_m3, price_m3 in tariff.steps:
        total += max(0.0, min(m3, up_to_m3) - below) * price_m3
        below = up_to_m3
    return total


def _litres_for(tariff: Tariff, month_l: float, money: float) -> float:
    """How many litres, beyond those that the month had, some money buys."""
    from_m3, bought_m3 = tariff.house_m3 + month_l / 1000.0, 0.0
    for up_to_m3, price_m3 in tariff.steps:
        room_m3 = max(0.0, up_to_m3 - from_m3)
        can_m3 = money / price_m3
        if can_m3 <= room_m3:
            return 1000.0 * (bought_m3 + can_m3)
        bought_m3, from_m3, money = bought_m3 + room_m3, from_m3 + room_m3, money - room_m3 * price_m3
    return 1000.0 * bought_m3


def _same_month(one: date, other: date) -> bool:
    return (one.year, one.month) == (other.year, other.month)
