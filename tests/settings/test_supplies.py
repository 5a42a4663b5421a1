"""One supply or several: what the core and the guard get of them, and what a config that mixes them up is told."""

import pytest

from controller.drivers import gpio
from controller.guard.rules import MasterRule, SupplyRule
from tests.settings.gardens import GOOD, edited, lines_of, loaded

SEVERAL = """\
[[supply]]
id = "mains"
name = "Town water"
capacity_l_min = 12
master = { pin = 17, lead_s = 2, trail_s = 2 }

[[supply]]
id = "bore"
capacity_l_min = 6
salinity_ds_m = 4.0
master = { pin = 27, lead_s = 1, trail_s = 3, kind = "pump" }
"""
ONE = """\
[supply]
capacity_l_min = 12
master = { pin = 17, lead_s = 2, trail_s = 2 }
"""
HANGS_ON = {"tomatoes": "mains", "salad": "mains", "peppers": "bore"}


def several(**hangs_on: str | None) -> str:
    """The good config with two supplies, and each zone on one (None: it does not say)."""
    text = edited(ONE, SEVERAL)
    for zone, supply in {**HANGS_ON, **hangs_on}.items():
        named = "" if supply is None else f'supply = "{supply}"\n'
        text = text.replace(f'[[zone]]\nid = "{zone}"\n', f'[[zone]]\nid = "{zone}"\n{named}')
    return text


def test_a_single_supply_stays_as_it_was() -> None:
    site = loaded(GOOD).build()
    (supply,) = site.supplies
    assert (supply.id, supply.name) == ("supply", "supply")
    assert {zone.supply for zone in site.zones} == {"supply"}


def test_a_single_supply_may_have_a_name_and_a_zone_may_use_it() -> None:
    text = edited("[supply]\n", '[supply]\nid = "tank"\n').replace('id = "salad"\n', 'id = "salad"\nsupply = "tank"\n')
    settings = loaded(text)
    assert {zone.supply for zone in settings.build().zones} == {"tank"}
    assert settings.lines()["master tank"] == gpio.Line(17, True)


def test_every_zone_gets_the_water_of_its_own_supply() -> None:
    site = loaded(several()).build()
    assert [(each.id, each.name, each.capacity_l_min, each.dead_s) for each in site.supplies] == [
        ("mains", "Town water", 12.0, 4.0),
        ("bore", "bore", 6.0, 4.0),
    ]
    assert site.supply_of("peppers").id == "bore"
    assert site.zone("peppers").leaching_fraction > 0.0, "the bore is salty"
    assert site.zone("tomatoes").leaching_fraction == 0.0, "the mains are not"


def test_the_guard_gets_capacity_and_master_of_each() -> None:
    settings = loaded(several())
    charge = settings.charge()
    assert charge.supplies == {
        "mains": SupplyRule(12.0, MasterRule(2.01, 2.01)),
        "bore": SupplyRule(6.0, MasterRule(1.01, 3.01, rest_s=10.0, longest_run_s=4 * 3600.0)),
    }
    assert {zone: rule.supply for zone, rule in charge.valves.items()} == HANGS_ON
    assert {name for name in settings.lines() if " " in name} == {"master mains", "master bore"}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (several(salad=None), '[[zone]] "salad": supply: is missing; say which it hangs on: "mains" or "bore"'),
        (several(salad="boer"), '[[zone]] "salad": supply: "boer" is no supply of this file; did you mean "bore"?'),
        (several().replace('id = "bore"\n', ""), "[[supply]] no. 2: id: is missing; where there are several supplies"),
        (several(peppers="mains").replace('id = "bore"', 'id = "mains"'), '"mains" is used 2 times; give each supply'),
        (several().replace("pin = 27", "pin = 17"), '[[supply]] "bore": master.pin: 17 is already used by the master'),
        (several().replace("= 6\n", "= 0\n"), '[[supply]] "bore": capacity_l_min: 0 does not fit; give a number from'),
        (several().replace("= 6\n", "= 0.2\n"), '[[zone]] "peppers": line: draws 0.3 L/min, more than the supply'),
        (
            several().replace("lead_s = 1, trail_s = 3", "lead_s = 30, trail_s = 60")
            .replace('crop = "capsicum"', 'crop = "capsicum"\nlongest_open_min = 1'),
            '"peppers": longest_open_min: 1 is no longer than the master',
        ),
        (edited("[supply]\n", '[supply]\nidd = "tank"\n'), '[supply]: idd: there is no such key; did you mean "id"?'),
        (several().replace('name = "Town', 'nmae = "Town'), '[[supply]] "mains": nmae: there is no such key; did you'),
        (GOOD.replace('id = "salad"\n', 'id = "salad"\nsupply = "tank"\n'), '"tank" is no supply of this file'),
    ],
)  # fmt: skip
def test_each_mix_up_gives_a_line(text: str, says: str) -> None:
    lines = lines_of(text)
    assert len({line for line in lines if says in line}) == 1, lines
    assert len(lines) <= 2


def test_no_supply_at_all_in_a_list_of_them() -> None:
    text = edited(ONE, "").replace("[site]\n", "supply = []\n[site]\n", 1)
    (line,) = lines_of(text)
    assert "[[supply]]: an empty list does not fit; give a table" in line


def test_a_salty_bore_is_doubted_for_its_own_zones_only() -> None:
    doubts = [line for line in loaded(several().replace("4.0", "14.0")).warnings() if "too salty" in line]
    assert len(doubts) == 1
    assert '[[zone]] "peppers"' in doubts[0]
