"""What is allowed but looks wrong gives a warning each; the examples give none."""

import pytest

from controller.settings import load
from tests.settings.gardens import EXAMPLES, GOOD, edited, loaded

DOUBTFUL = [
    ("pin = 23", "pin = 14", '[[zone]] "salad": valve.pin: 14 also serves the serial console; another pin is safer'),
    ("pin = 5,", "pin = 2,", '[[zone]] "peppers": valve.pin: 2 also serves I2C'),
    ("pin = 23", "pin = 6", '[[zone]] "salad": valve.pin: 6 is pulled high while the Pi starts, which opens an'),
    ("pin = 5,", "pin = 9,", '[[zone]] "peppers": valve.pin: 9 is pulled low while the Pi starts, which opens'),
    ("pin = 17", "pin = 4", "[supply]: master.pin: 4 is pulled high while the Pi starts"),
    ("pin = 5,", "pin = 0,", '[[zone]] "peppers": valve.pin: 0 also serves the ID EEPROM of add-on boards'),
    ("area_m2 = 4", "area_m2 = 0.5", '[[zone]] "salad": line: gives 80 mm an hour over the zone\'s 0.5 m2; check flow'),
    ("flow_l_h_m = 5,", "flow_l_h_m = 75,", '[[zone]] "salad": line: puts 250 mm an hour on the ground it wets'),
    ("length_m = 8", "length_m = 8, flow_l_min = 2", '[[zone]] "salad": line.flow_l_min: 2 is far from the 0.67 L/min'),
    ("latitude = 38.57", "latitude = 66", "[site]: latitude: 66 has days without sunrise"),
    ("until = 09:00:00", "until = 23:00:00", "[watering]: allowed: leaves no room for dawn of 21 April (00:"),
    ("from = 20:00:00", "from = 23:00:00", "[watering]: allowed: leaves no room for dusk of 21 "),
    ("20:00:00, until = 09:00:00", "10:00:00, until = 16:00:00", "[watering]: allowed: leaves no room for dawn of"),
    ('"lettuce"', '"okra"', '[[zone]] "salad": crop: nobody has printed what "okra" bears of salt; salinity_ds_m is'),
    ('"lettuce"', '"strawberry"', '[[zone]] "salad": crop: water of 5 dS/m is too salty for "strawberry"; 30% of it'),
    ('username = "seepward"', 'username = "me"\nhost = "broker.lan"', "[mqtt]: tls: without it the password crosses"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "says"), DOUBTFUL, ids=lambda text: text[:30])
def test_what_looks_wrong_is_said(old: str, new: str, says: str) -> None:
    text = edited(old, new)
    if "salt" in says:
        text = text.replace("capacity_l_min = 12", "capacity_l_min = 12\nsalinity_ds_m = 5")

    (warning,) = loaded(text).warnings()

    assert f"garden.toml: {says}" in warning
    assert warning.isprintable()


def test_a_longitude_of_the_wrong_sign_is_noticed_by_the_clock() -> None:
    hours = "allowed = [{ from = 20:00:00, until = 09:00:00 }]\n"
    text = edited(hours, "").replace("Europe/Lisbon", "Australia/Perth").replace("-7.91", "-115.86")

    (warning,) = loaded(text).warnings()

    assert "[site]: longitude: -115.86 is far from where the clocks of Australia/Perth belong" in warning
    assert loaded(text.replace("-115.86", "115.86")).warnings() == ()


def test_a_very_long_opening_is_said_for_the_zones_that_allow_it() -> None:
    text = edited("most_open_min_24h = 240", "most_open_min_24h = 600")

    (warning,) = loaded(text.replace("longest_open_min = 20", "longest_open_min = 300")).warnings()

    assert '[[zone]] "salad": longest_open_min: 300 guards little' in warning


def test_no_room_at_dusk_matters_only_to_zones_that_refresh() -> None:
    text = edited("from = 20:00:00", "from = 23:00:00")
    for zone in ("salad", "peppers"):
        text = text.replace(f'id = "{zone}"', f'id = "{zone}"\ndusk_refresh = false')
    assert len(loaded(text).warnings()) == 1  # the tomatoes still refresh

    assert loaded(text.replace('id = "tomatoes"', 'id = "tomatoes"\ndusk_refresh = false')).warnings() == ()


def test_a_good_config_gives_none() -> None:
    assert loaded(GOOD).warnings() == ()


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_the_examples_give_none(path: str) -> None:
    assert load(path).warnings() == ()


def test_a_line_too_weak_for_its_bed_is_noticed_before_the_summer_is() -> None:
    """Four drippers of 4 L/h on 4 m2 of sand: 91 of the dawn's 340 minutes, by hand (15.24 / 56.6 mm/h)."""
    weak = """
    [[zone]]
    id = "lemon"
    area_m2 = 4
    crop = "citrus"
    soil = "sand"
    valve = { pin = 27 }
    line = { kind = "drippers", emitter_flow_l_h = 4, count = 4 }
    """

    (warning,) = loaded(GOOD + weak).warnings()

    assert '[[zone]] "lemon": line: a dawn soak brings 5.5 mm at most, and a dry day draws 6 or more' in warning
    assert warning.endswith("more emitters help")
    assert loaded(GOOD + weak.replace("count = 4", "count = 8")).warnings() == ()


def test_a_valve_that_may_open_too_little_is_noticed() -> None:
    (warning,) = loaded(GOOD.replace("area_m2 = 4\n", "area_m2 = 4\nmost_open_min_24h = 30\n")).warnings()

    assert '[[zone]] "salad": line: a dawn soak brings' in warning
    assert warning.endswith("a longer most_open_min_24h helps")
