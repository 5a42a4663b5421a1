"""A session that the list rule cannot hold, and a better order can, loses nothing: forward and back from dawn."""

from datetime import UTC, date, datetime, timedelta

import pytest

from controller.core import plan
from controller.core.garden import Need, Watering
from controller.core.plan import Loss, Order
from controller.core.shortage import Stake
from controller.core.site import Line, Supply
from tests.core.gardens import a_site, a_zone

START = datetime(2026, 7, 16, 1, tzinfo=UTC)
SMALL = ((4, 5, 12, 8), (4, 9, 10, 5), (3, 4, 25, 9), (2, 7, 12, 8))
"""(pulses, on, rest, flow) on 12 L/min: proven by a constraint solver to need 83 minutes; the list rule takes 86."""
SITE = a_site(
    *(a_zone(f"z{n}", line=Line("dripline", float(flow), 15.0)) for n, (_, _, _, flow) in enumerate(SMALL)),
    supplies=(Supply(12.0, settle_s=0.0),),
)


def orders(minutes: float) -> list[Order]:
    """The four zones' waterings, to end within so many minutes from START."""
    end = START + timedelta(minutes=minutes)
    found = []
    for n, (pulses, on_min, rest_min, flow_l_min) in enumerate(SMALL):
        litres = float(pulses * on_min * flow_l_min)
        need = Need(f"z{n}", "dawn soak", litres, litres, litres, ())
        watering = Watering(f"w{n}", f"z{n}", "dawn soak", date(2026, 7, 16), need, rest_min * 60.0, end, ())
        found.append(Order(watering, (on_min * 60.0,) * pulses, START, Stake(1.0, litres)))
    return found


WHOLE_L = float(sum(pulses * on_min * flow_l_min for pulses, on_min, _, flow_l_min in SMALL))


def litres_of(minutes: float, *, back: bool, squeeze: int = plan.SQUEEZE) -> tuple[float, list[Loss]]:
    deadline = START + timedelta(minutes=minutes) if back else None
    waterings, losses = plan._fit(SITE, orders(minutes), START, deadline, [], squeeze)
    assert all(
        START - timedelta(seconds=1) <= pulse.start and pulse.end <= START + timedelta(minutes=minutes)
        for watering in waterings
        for pulse in watering.pulses
    )
    return round(sum(watering.litres_to_come for watering in waterings), 3), losses


@pytest.mark.parametrize("back", [False, True], ids=["from now on", "back from dawn"])
def test_what_just_fits_loses_nothing(back: bool) -> None:
    assert litres_of(83.0, back=back) == (WHOLE_L, [])


@pytest.mark.parametrize("back", [False, True], ids=["from now on", "back from dawn"])
def test_what_cannot_fit_loses_a_little_and_that_is_said(back: bool) -> None:
    litres, losses = litres_of(82.0, back=back)
    assert 0.9 * WHOLE_L < litres < WHOLE_L, "one of thirteen pulses is enough to leave out"
    assert [loss.shared for loss in losses] == [True]


@pytest.mark.parametrize("back", [False, True], ids=["from now on", "back from dawn"])
def test_without_the_squeeze_something_is_lost(back: bool) -> None:
    assert litres_of(83.0, back=back, squeeze=0)[0] < WHOLE_L
