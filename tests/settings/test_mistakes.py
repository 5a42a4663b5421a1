"""Each mistake a gardener may make gives exactly one line: where, what, and what to do."""

import pytest

from tests.settings.gardens import GOOD, edited, lines_of

JARGON = ("pydantic", "Input should", "type=", "ValidationError", "validation error", "Traceback", "Discriminator")

CALIBRATION = "calibration = [[2600, 0.05], [1700, 0.15]]"
AIR = 'kind = "air temperature"\ntopic = "garden/air"\nunit = "°C"'


def rule(rest: str) -> str:
    """A rule of the place with these keys, before the supply."""
    return f'[[rule]]\nname = "the ban"\nwater = "forbidden"\n{rest}\n[supply]'


def budget(rest: str) -> str:
    """A budget with these keys, before the supply."""
    return f'[[budget]]\nname = "the ration"\nper = "week"\n{rest}\n[supply]'


def shade(rest: str) -> str:
    """A shade cloth with these keys."""
    return f'shade = [{{ kind = "cloth", {rest} }}]'


# What is changed, into what, and what the one line must say.
MISTAKES = [
    # Keys
    ('name = "Plot"', 'nmae = "Plot"', '[site]: nmae: there is no such key; did you mean "name"?'),
    ("latitude = 38.57\n", "", "[site]: latitude: is missing; give a number from -90 to 90"),
    ("pin = 22", "pinn = 22", '[[zone]] "tomatoes": valve.pinn: there is no such key; did you mean "pin"?'),
    ("length_m = 8", "lenth_m = 8", '[[zone]] "salad": line.lenth_m: there is no such key; did you mean "le'),
    ("[heat]", "[haet]", '[haet]: there is no such key; did you mean "heat"?'),
    ("[supply]", "[suply]", '[suply]: there is no such key; did you mean "supply"?'),
    ("[site]", 'colour = "red"\n[site]', "colour: there is no such key; the keys here are site, mqtt, forec"),
    ('password_file = "/etc/seepward/mqtt-password"', 'password = "hunter2"', "[mqtt]: password: there is n"),
    # Types
    ("area_m2 = 12", 'area_m2 = "12"', '[[zone]] "tomatoes": area_m2: "12" does not fit; give a number from'),
    ("area_m2 = 12", "area_m2 = true", '[[zone]] "tomatoes": area_m2: true does not fit; give a number'),
    ("area_m2 = 12", "area_m2 = nan", '[[zone]] "tomatoes": area_m2: nan does not fit; give a number'),
    ("area_m2 = 12", "area_m2 = inf", '[[zone]] "tomatoes": area_m2: inf does not fit; give a number'),
    ("pin = 22", "pin = 22.0", '"tomatoes": valve.pin: 22.0 does not fit; give a GPIO number from 0 to 27'),
    ("pin = 22", 'pin = "GPIO22"', '"tomatoes": valve.pin: "GPIO22" does not fit; give a GPIO number from 0'),
    ("under_mulch = true", "under_mulch = 1", '"tomatoes": line.under_mulch: 1 does not fit; give true or f'),
    ("planted = 2026-04-25", 'planted = "2026-04-25"', 'planted: "2026-04-25" does not fit; give a date wit'),
    ("from = 20:00:00", 'from = "20:00"', '[watering]: allowed no. 1.from: "20:00" does not fit; give a loc'),
    ("pots = { count = 4, volume_l = 30 }", "pots = 4", '"peppers": pots: 4 does not fit; give a table with'),
    ("[[2600, 0.05], [1700, 0.15]]", "[2600, 0.05]", '"probe": calibration: a list does not fit; give two t'),
    # Ranges
    ("latitude = 38.57", "latitude = 385.7", "[site]: latitude: 385.7 does not fit; give a number from -90"),
    ("longitude = -7.91", "longitude = 191", "[site]: longitude: 191 does not fit; give a number from -180"),
    ("pin = 22", "pin = 28", '"tomatoes": valve.pin: 28 does not fit; give a GPIO number from 0 to 27'),
    ("pin = 22", "pin = -1", '"tomatoes": valve.pin: -1 does not fit; give a GPIO number from 0 to 27'),
    ("flow_l_h_m = 5", "flow_l_h_m = 0", '"salad": line.flow_l_h_m: 0 does not fit; give a number from 0.1 to 100'),
    ("capacity_l_min = 12", "capacity_l_min = 0", "[supply]: capacity_l_min: 0 does not fit; give a number"),
    ("longest_open_min = 20", "longest_open_min = 1441", "longest_open_min: 1441 does not fit; give a numbe"),
    ("capacity_l_min = 12", "capacity_l_min = 12\ntank = { capacity_l = 0 }", "[supply]: tank.capacity_l: 0 does not"),
    (
        "capacity_l_min = 12", "capacity_l_min = 12\ntank = { capacity_l = 100, kept_l = 100 }",
        "[supply]: tank.kept_l: 100 must be less than the tank holds, 100 L",
    ),
    (
        "capacity_l_min = 12", "capacity_l_min = 12\ntank = { capacity_l = 100, start_l = 102 }",
        "[supply]: tank.start_l: 102 is more than the tank holds, 100 L",
    ),
    (
        'crop = "lettuce"', 'crop = { name = "lawn", like = "mint", kcb_months = [0.6, 0.7] }',
        "crop.kcb_months: a list does not fit; give twelve numbers from 0.01 to 2.5, January first",
    ),
    ("area_m2 = 12", 'area_m2 = 12\nbranch = "north"', '"tomatoes": branch: "north" is nowhere; name it in branches'),
    ("under_mulch = true", "under_mulch = true, fill_l = 100", '"tomatoes": line.fill_l: 100 L take '),
    ("capacity_l_min = 12", "capacity_l_min = 12\nbranches = { North = 5 }", 'North: "North" does not fit; give a'),
    ("capacity_l_min = 12", 'capacity_l_min = 12\nbranches = { "" = 5 }', '"" does not fit; give a'),
    ("capacity_l_min = 12", "capacity_l_min = 12\nbranches = { north = 0 }", "branches.north: 0 does not fit; give a"),
    ("rain_sure = 0.7", 'season = "winter"', '[watering]: season: "winter" does not fit; give "on" or "off"'),
    ("rain_sure = 0.7", 'season = { from = "03-15" }', "[watering]: season.until: is missing; give month and day in"),
    ("rain_sure = 0.7", 'season = { from = "02-30", until = "10-31" }', '[watering]: season.from: "02-30" is no day'),
    ("rain_sure = 0.7", "rain_sure = 70", "[watering]: rain_sure: 70 does not fit; give a number from 0.01 to 1"),
    ("field_capacity = 0.15", "field_capacity = 15", '"tomatoes": soil.field_capacity: 15 does not fit; giv'),
    ("area_m2 = 4", "area_m2 = 4e400", '"salad": area_m2: inf does not fit; give a number from 0.05 to 1000'),
    ("count = 8", "count = 0", '"peppers": line.count: 0 does not fit; give a whole number from 1 to 10000'),
    # Words
    ('active = "high"', 'active = "hihg"', 'valve.active: "hihg" does not fit; give "high" or "low"; did yo'),
    ('"weeper hose"', '"soaker"', '"salad": line.kind: "soaker" does not fit; give "dripline", "drippers",'),
    ('kind = "straw"', 'kind = "Straw"', '"tomatoes": mulch.kind: "Straw" does not fit; '),
    ('id = "salad"', 'id = "Salad bed"', '[[zone]] "Salad bed": id: "Salad bed" does not fit; give a short'),
    ('crop = "tomato"', 'crop = "tomatoe"', '"tomatoes": crop: "tomatoe" is no crop of the library; did you'),
    ('crop = "tomato"', 'crop = "triffid"', '"tomatoes": crop: "triffid" is no crop of the library; known a'),
    ('crop = "tomato"', 'crop = { name = "x", like = "tomatto" }', 'crop.like: "tomatto" is no crop of the'),
    ('soil = "sandy loam"', 'soil = "sandy lome"', '"salad": soil: "sandy lome" is no texture; did you mean'),
    ('texture = "loamy sand"', 'texture = "mud"', '"tomatoes": soil.texture: "mud" is no texture; known are'),
    ("Europe/Lisbon", "Europe/Lisboa", '[site]: timezone: "Europe/Lisboa" is no time zone of the IANA list;'),
    ("Europe/Lisbon", "../../etc/passwd", '[site]: timezone: "../../etc/passwd" is no time zone of the IANA'),
    ("Europe/Lisbon", "Europe", '[site]: timezone: "Europe" is no time zone of the IANA list; '),
    ('"garden/air"', '"garden/+"', '"air": topic: "garden/+" does not fit; give one MQTT topic in quotes, w'),
    ('"/moisture"', '"moisture"', '"probe": pointer: "moisture" does not fit; give an RFC 6901 pointer'),
    ('"/moisture"', '"/moist~ure"', '"probe": pointer: "/moist~ure" does not fit; give an RFC 6901 pointer'),
    # Names and pins
    ('id = "salad"', 'id = "tomatoes"', '[[zone]] "tomatoes": id: "tomatoes" is used 2 times; give each zon'),
    ('id = "air"', 'id = "probe"', '[[sensor]] "probe": id: "probe" is used 2 times; give each sensor an id'),
    ('id = "salad"', 'id = "master"', '[[zone]] "master": id: "master" is the name of the master line; call'),
    ("pin = 23", "pin = 22", '[[zone]] "salad": valve.pin: 22 is already used by "tomatoes"; give each valv'),
    ("pin = 23", "pin = 17", '[[zone]] "salad": valve.pin: 17 is already used by the master; give each valv'),
    # Water
    ("capacity_l_min = 12", "capacity_l_min = 1", '"tomatoes": line: draws 1.8 L/min, more than the supply'),
    ("emitter_spacing_m = 0.3, ", "", '"tomatoes": line.emitter_spacing_m: is missing; dripline needs emitt'),
    ("flow_l_h_m = 5, ", "flow_l_h_m = 5, count = 3, ", '"salad": line.count: says nothing about weeper hos'),
    ("area_m2 = 4\n", "", '"salad": area_m2: is missing; give the ground of the zone in m2, or a table pots'),
    ('soil = "sandy loam"\n', "", '"salad": soil: is missing; give a texture: "sand"'),
    ("wilting_point = 0.06", "wilting_point = 0.15", '"tomatoes": soil: field_capacity 0.15 must be above w'),
    ('"sandy loam"', '{ texture = "sand", wilting_point = 0.2 }', 'soil: field_capacity 0.12 must be above'),
    ("mulch = {", "# mulch = {", '"tomatoes": line.under_mulch: is true, but the zone has no mulch; add it'),
    ("most_open_min_24h = 240", "most_open_min_24h = 25", "[guard]: most_open_min_24h: most_open_min_24h 25"),
    ("longest_open_min = 20", "longest_open_min = 300", '"salad": longest_open_min: most_open_min_24h 240 i'),
    ("longest_open_min = 20", "longest_open_min = 0.05", '"salad": longest_open_min: 0.05 is no longer than'),
    # Sensors
    ('zone = "tomatoes"', 'zone = "tomates"', '"probe": zone: "tomates" is no zone of this file; did you me'),
    ('zone = "tomatoes"\n', "", '"probe": zone: is missing; say which zone the probe stands in: "peppers",'),
    ('kind = "air temperature"', 'kind = "rain"', '"air": unit: "°C" is no unit of rain; give "mm", "in" or'),
    ('topic = "garden/air"', 'topic = "g"\nzone = "salad"', '"air": zone: air temperature belongs to the wh'),
    ("calibration = [[2600, 0.05], [1700, 0.15]]", "", '"probe": calibration: is missing; raw counts need ['),
    ("[1700, 0.15]", "[2600, 0.15]", '"probe": calibration: two points have the raw reading 2600; take one'),
    ("[1700, 0.15]", "[1700, 0.05]", '"probe": calibration: two points have the value 0.05; between them th'),
    ("[1700, 0.15]", "[1700, 15]", '"probe": calibration: the values 0.05 and 15 must be in m3/m3, from 0 t'),
    ('"garden/air"', '"garden/tomatoes"\npointer = "/moisture"', '"air": topic: "garden/tomatoes" is alread'),
    ('"garden/air"', '"garden/air"\ntime_pointer = "/t"', '"air": time_pointer: needs a JSON payload; give'),
    ("[1700, 0.15]]", "[1700, 0.15], [1200, 0.1]]", '"probe": calibration: the values must all rise or all fall'),
    ("[1700, 0.15]]", "[1700, 0.15]" + ", [1, 1]" * 5 + "]", "calibration: a list does not fit; give two to six pa"),
    (CALIBRATION, "calibration = [[2600, 0.05]]", '"probe": calibration: a list does not fit; give two to six pairs'),
    (CALIBRATION, "polynomial = [0.3]", '"probe": polynomial: a list does not fit; give two to six numbers in a list'),
    (CALIBRATION, "polynomial = [0.3, 0]", '"probe": polynomial: has no coefficient but the constant; the sensor wou'),
    (CALIBRATION, f"{CALIBRATION}\npolynomial = [0, 1]", '"probe": polynomial: stands beside calibration; one of them'),
    (f'"raw"\n{CALIBRATION}', '"permittivity"', '"probe": permittivity: is missing; give "topp" or "ledieu", or a c'),
    (f'"raw"\n{CALIBRATION}', '"kPa"', '"probe": tension: is missing; true takes the texture of the zone; or give a'),
    (f'"raw"\n{CALIBRATION}', '"cb"\ntension = false', '"probe": tension: is missing; true takes the texture of the'),
    (f'"raw"\n{CALIBRATION}', '"%"\ntension = true', '"probe": tension: says nothing about "%"; it goes with the unit'),
    (CALIBRATION, 'permittivity = "topp"', '"probe": permittivity: says nothing about "raw"; it goes with the unit "p'),
    (CALIBRATION, 'permittivity = "top"', '"probe": permittivity: "top" does not fit; give "topp" or "ledieu"; did y'),
    ('unit = "°C"', "", '"air": unit: is missing; give "°C", "°F" or "raw"'),
    ('unit = "°C"', 'unit = "kPa"', '"air": unit: "kPa" is no unit of air temperature; give "°C", "°F" or "raw"'),
    ('kind = "air temperature"', 'kind = "rain switch"', '"air": unit: says nothing about rain switch; take it out'),
    (AIR, 'kind = "rain switch"\ntopic = "t"\nsd = 0.1', '"air": sd: says nothing about rain switch; take it out'),
    (AIR, 'kind = "rain switch"\ntopic = "t"\non = "rain"', '"air": off: is missing; whoever names the word for on'),
    (AIR, 'kind = "rain switch"\ntopic = "t"\noff = "0"', '"air": on: is missing; whoever names the word for off na'),
    (AIR, 'kind = "rain switch"\ntopic = "t"\non = "a"\noff = "a"', '"air": off: "a" is also the word for on; the two'),
    (AIR, 'kind = "rain switch"\ntopic = "t"\non = ""\noff = "a"', '"air": on: "" does not fit; give a word of 1 to'),
    (AIR, 'kind = "rain switch"\ntopic = "t"\nzone = "salad"', '"air": zone: rain switch belongs to the whole site'),
    (AIR, f'{AIR}\non = "wet"', '"air": on: says nothing about air temperature; take it out'),
    (AIR, 'kind = "soil temperature"\ntopic = "t"\nunit = "°C"\nzone = "sald"', '"air": zone: "sald" is no zone of t'),
    # Shade, pots, tender plants
    ("area_m2 = 4", 'area_m2 = 4\nshade = [{ kind = "cloth" }]', '"salad": shade no. 1.percent: is missing; give a nu'),
    ("area_m2 = 4", 'area_m2 = 4\nshade = [{ kind = "roof", percent = 9 }]', '"salad": shade no. 1.kind: "roof" does '),
    ("area_m2 = 4", f"area_m2 = 4\n{shade('percent = 0.5')}", '"salad": shade no. 1.percent: 0.5 does not fit; give '),
    ("area_m2 = 4", f"area_m2 = 4\n{shade('percent = 50, months = [13]')}", "shade no. 1.months: a list does not fit;"),
    ("area_m2 = 4", f"area_m2 = 4\n{shade('percent = 50, months = [6, 7, 6]')}", "shade no. 1.months: 6 is there twic"),
    ("area_m2 = 4", f"area_m2 = 4\n{shade('percent = 50, hours = { from = 11:00:00, until = 11:00:00 }')}",
     '"salad": shade no. 1.hours: begins and ends at 11:00:00; for shade all day leave hours out'),
    ("area_m2 = 4", 'area_m2 = 4\nshade = [{ kind = "tree", percent = 50, by_hand = true }]',
     '"salad": shade no. 1.by_hand: is true, but nobody puts up a tree; take it out, or call it cloth'),
    ("pots = {", 'soil = "loam"\npots = { available_share = 0.3,', '"peppers": pots.available_share: is what field_ca'),
    ("area_m2 = 4", "area_m2 = 4\nestablished_after_days = 9", '"salad": established_after_days: counts from the plan'),
    ("area_m2 = 4", "area_m2 = 4\nvalue = 4", '"salad": value: 4 does not fit; give a whole number from 1 to 3'),
    ("length_m = 8", "length_m = 8, uniformity = 88", '"salad": line.uniformity: 88 does not fit; give a number fro'),
    ("depth_cm = 6", "depth_cm = 6, cover = 90", '"tomatoes": mulch.cover: 90 does not fit; give a number from 0 t'),
    ("capacity_l_min = 12", "capacity_l_min = 12\nsalinity_ds_m = 800", "[supply]: salinity_ds_m: 800 does not fit; g"),
    # Times and weather
    ("elevation_m = 240\n", "", "[site]: elevation_m: is missing; give a number from -450 to 6000"),
    ("mild_day_c = 26", "mild_day_c = 26\nhot_night_c = 37", "[heat]: hot_night_c: 37 must be below hot_day_c, 37"),
    ("mild_day_c = 26", "mild_day_c = 37", "[heat]: mild_day_c: 37 must be below hot_day_c, 37"),
    ("until = 09:00:00", "until = 20:00:00", "[watering]: allowed no. 1: begins and ends at 20:00:00, so it"),
    ("[supply]", "[[normal]]\nmonth = 1\ntmax_c = 9\ntmin_c = 2\n[supply]", "[[normal]]: month: month 2, 3,"),
    # Rules of the place
    ("[supply]", rule(""), '[[rule]] "the ban": water: is forbidden for good, as the rule names no time; give season'),
    ("[supply]", rule("").replace("forbidden", "only then"), "water: is allowed only at the times that the rule n"),
    ("[supply]", rule("").replace("forbidden", "banned"), 'water: "banned" does not fit; give "forbidden" or "only'),
    ("[supply]", rule('weekdays = ["wed"]'), "weekdays: a list does not fit; give days of the week in a list"),
    ("[supply]", rule('odd_even = "odd"\ndays_of_month = [1]'), "days_of_month: stands beside odd_even; one of them"),
    ("[supply]", rule("every_days = 2"), "counted_from: is missing; it goes together with every_days"),
    ("[supply]", rule('odd_even = "odd"\ncounted_from = 2026-05-01'), "every_days: is missing; it goes together with"),
    ("[supply]", rule('season = { from = "02-30", until = "03-01" }'), 'season.from: "02-30" is no day of any year; t'),
    ("[supply]", rule('season = { from = "2-3", until = "03-01" }'), 'season.from: "2-3" does not fit; give month an'),
    ("[supply]", rule('odd_even = "odd"\nzones = ["sald"]'), 'zones: "sald" is no zone of this file; did you mean "'),
    ("[supply]", rule('odd_even = "odd"\nexempt = ["pot"]'), 'exempt: a list does not fit; give a list of "drip", "'),
    ("[supply]", rule('odd_even = "odd"\nnight_belongs_to = "the evening before"'), "night_belongs_to: says nothing"),
    ("[supply]", rule("hours = [{ from = 09:00:00, until = 09:00:00 }]"), "for the whole day leave hours out"),
    ("[supply]", rule('odd_even = "odd"').replace("[supply]", rule('odd_even = "even"')), "name: is used twice; giv"),
    ("[supply]", budget(""), '[[budget]] "the ration": litres: or money: give the one or the other'),
    ("[supply]", budget("litres = 9\nmoney = 9"), "litres: or money: give the one or the other"),
    ("[supply]", budget("money = 9"), "tariff: is missing; without the price nobody can tell how much water the mo"),
    ("[supply]", budget("litres = 9\nhouse_m3 = 1"), "tariff: says nothing about litres; take it and house_m3 out"),
    ("[supply]", budget("money = 9\ntariff = [{ up_to_m3 = 5, price_m3 = 1 }]"), "tariff: ends; leave up_to_m3 out"),
    ("[supply]", budget("money = 9\ntariff = [{ price_m3 = 2 }, { price_m3 = 1 }]"), "tariff: must rise: each step"),
    ("[supply]", budget('litres = 9\nzones = ["sald"]'), 'zones: "sald" is no zone of this file; did you mean "sal'),
    ("[supply]", rule('odd_even = "odd"').replace("[supply]", budget("litres = 9").replace("ration", "ban")), "twice"),
    ("capacity_l_min = 12", "capacity_l_min = 12\nquiet = [{ from = 09:00:00, until = 09:00:00 }]",
     "[supply]: quiet no. 1: begins and ends at 09:00:00, so it would never run; give the hours in which it must not"),
    # The broker
    ('username = "seepward"\n', "", "[mqtt]: username: is missing; a password needs the name it belongs to"),
    ("[guard]", 'tls = { cert_file = "c.pem" }\n[guard]', "[mqtt]: tls.key_file: is missing; cert_file and"),
    # Shape
    ("[[zone]]\nid = \"salad\"", "[[zones]]\nid = \"salad\"", '[[zones]]: there is no such key; did you mea'),
]  # fmt: skip


def test_the_config_to_be_spoilt_is_good() -> None:
    assert lines_of(GOOD) == []


@pytest.mark.parametrize(("old", "new", "says"), MISTAKES, ids=lambda text: text[:40])
def test_one_mistake_gives_one_line(old: str, new: str, says: str) -> None:
    (line,) = lines_of(edited(old, new))

    assert line.startswith("garden.toml: ")
    assert says in line
    assert not any(word in line for word in JARGON)
    assert line.isprintable()


def test_all_mistakes_of_a_file_are_told_at_once() -> None:
    text = edited("latitude = 38.57", "latitude = 100")
    text = text.replace("pin = 23", "pin = 22").replace('crop = "lettuce"', 'crop = "letuce"')
    text = text.replace('unit = "°C"', 'unit = "K"').replace("count = 8", "count = 8.5")

    said = "\n".join(lines_of(text))

    assert len(lines_of(text)) == 5
    for part in ("latitude: 100", "valve.pin: 22 is already", 'crop: "letuce"', '"air": unit: "K"', "count: 8.5"):
        assert part in said


def test_a_zone_refused_for_itself_is_still_known_to_its_sensor() -> None:
    (line,) = lines_of(edited("area_m2 = 12", "area_m2 = 0"))

    assert '"tomatoes": area_m2' in line


def test_a_zone_without_an_id_is_named_by_its_number() -> None:
    (line,) = lines_of(edited('id = "salad"\n', ""))

    assert "[[zone]] no. 2: id: is missing" in line


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "[site]: is missing; give a table with id"),
        ("[site]\nid = ", "last line: this is not TOML: invalid value"),
        ("[site]\nid = 'a'\n[site]", "line 3: this is not TOML: [site] stands in the file twice"),
        ("[[zone]]\narea_m2 = 6,5", "after a statement; write decimals with a point, as 6.5"),
        ("[[zone]]\ncrop = tomato", 'invalid value; put texts into quotes, as in crop = "tomato"'),
        ("[zone]\nid = 'a'\n[[zone]]", "overwrite a value; head each of them with double brackets, as [[zone]]"),
        ("[[zone]]\nplanted = 25.4.2026", "line 2: this is not TOML: expected newline or end of document after a "
         "statement; write dates as 2026-04-05"),
        ("[[zone]]\nrescue = True", "line 2: this is not TOML: invalid value; write true or false, in small letters"),
        ("[[zone]]\nname = “Salad”", "invalid value; use straight quotes, as in name = \"Salad\""),
        ("[watering]\nallowed = [{ from = 20:00, until = 09:00 }]", "line 2: this is not TOML: "),
        ("x = [1,", "last line: this is not TOML: "),
        (b"x = '\xff'", "is not a text in UTF-8; save it as UTF-8"),
        (f"x = {'[' * 50_000}", "is nested too deeply; no key needs that"),
        (f"x = {'9' * 5_000}", "this is not TOML: exceeds the limit"),
        (b"#" * 1_100_000, "is larger than a megabyte"),
    ],
    ids=lambda text: str(text[:20]),
)
def test_what_is_no_config_at_all_gives_one_sentence(text: str | bytes, says: str) -> None:
    first, *_ = lines_of(text)

    assert says in first
    assert first.isprintable()


def test_an_empty_file_lacks_what_every_garden_needs() -> None:
    assert [line.split(": ")[1] for line in lines_of("")] == ["[site]", "[supply]", "[[zone]]"]


def test_single_brackets_for_a_zone_are_explained() -> None:
    text = GOOD[: GOOD.index("[[zone]]")] + '[zone]\nid = "a"\n'

    (line,) = lines_of(text)

    assert "[zone]: a table does not fit; give a list: a table with id, crop, valve, line for each" in line
    assert line.endswith("under its name in [[double brackets]]")


def test_control_characters_in_a_value_are_shown_as_escapes() -> None:
    (line,) = lines_of(edited('name = "Plot"', 'name = "Plot\\u001b[31m\\nred"'))

    assert r'name: "Plot\x1b[31m\nred" does not fit' in line


def test_a_mark_of_byte_order_does_no_harm() -> None:
    assert lines_of(b"\xef\xbb\xbf" + GOOD.encode()) == []


def with_normals(*rows: tuple[int, float, float]) -> str:
    tables = "".join(f"[[normal]]\nmonth = {m}\ntmax_c = {high}\ntmin_c = {low}\n" for m, high, low in rows)
    return edited("[supply]", f"{tables}[supply]")


def test_normals_with_a_mistake_each() -> None:
    year = [(month, 25.0, 12.0) for month in range(1, 13)]
    assert lines_of(with_normals(*year)) == []

    (swapped,) = lines_of(with_normals(*year[:6], (7, 17.0, 33.0), *year[7:]))
    assert "[[normal]] 7: tmin_c: 33 is above tmax_c, 17; were they swapped?" in swapped
    (twice,) = lines_of(with_normals(*year[:11], (3, 25.0, 12.0)))
    assert "[[normal]]: month: 3 is there twice; give each month once" in twice
    (thirteen,) = lines_of(with_normals(*year[:11], (13, 25.0, 12.0)))
    assert "[[normal]] 13: month: 13 does not fit; give a whole number from 1 to 12" in thirteen


def test_the_masters_dead_times_may_not_eat_an_opening() -> None:
    (line, *rest) = lines_of(edited("lead_s = 2, trail_s = 2", "lead_s = 30, trail_s = 60").replace(
        "longest_open_min = 20", "longest_open_min = 1.5"
    ))  # fmt: skip

    assert rest == []
    assert '"salad": longest_open_min: 1.5 is no longer than the master\'s lead_s and trail_s together (90 s)' in line


def test_a_tension_needs_a_texture_with_a_curve() -> None:
    text = edited(f'unit = "raw"\n{CALIBRATION}', 'unit = "kPa"\ntension = true')
    assert lines_of(text) == []

    (line,) = lines_of(text.replace('zone = "tomatoes"', 'zone = "peppers"'))
    assert '"probe": tension: there is no retention curve for "potting mix", only for "sand", "loamy sand"' in line
    assert line.endswith("; give a calibration instead")


# Jobs for hands, and the day's message ------------------------------------------------------------


def with_table(rest: str) -> str:
    """The good config with one more table at its end."""
    return f"{GOOD}\n{rest}\n"


def switch(rest: str) -> str:
    return with_table(f'[[sensor]]\nid = "cloth"\nkind = "job switch"\ntopic = "garden/cloth"\n{rest}')


def own_job(rest: str) -> str:
    return with_table(f'[[job]]\nid = "gate"\ntext = "Shut the gate."\n{rest}')


MAIL = '[digest.mail]\nhost = "mail.example"\nsender = "a@example.org"\nto = ["b@example.org"]\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (switch(""), '[[sensor]] "cloth": job: is missing; say what it tells of: "shade"'),
        (switch('job = "harvest"'), '[[sensor]] "cloth": job: "harvest" does not fit; give "shade", "pots" or "mulch'),
        (edited(AIR, f'{AIR}\njob = "shade"'), '"air": job: says nothing about air temperature; take it out'),
        (own_job('when = "in heat"\nzones = ["roses"]'), '[[job]] "gate": zones: "roses" is no zone of this file'),
        (own_job('when = "at noon"'), '[[job]] "gate": when'),
        (with_table('[[by_hand]]\nname = "Lemon"\ncount = 1\nvolume_l = 40\ncrop = "lemmon"'), '"lemmon"'),
        (with_table("[digest]\nat = 22:00:00"), "[digest]: at: 22:00:00 lies in the quiet hours, 21:00:00 to 07:00:00"),
        (
            with_table("[digest]\nquiet = { from = 21:00:00, until = 21:00:00 }"),
            "[digest]: quiet: begins and ends at 21:00:00",
        ),
        (
            with_table(f'{MAIL}security = "none"'),
            "[digest]: mail.security: is none, and mail.example is another machine; take tls or starttls",
        ),
        (
            with_table(f'{MAIL}security = "none"\nusername = "garden"'.replace("mail.example", "localhost")),
            "[digest]: mail.security: is none, which would send the password readable; take tls or starttls",
        ),
        (with_table("[jobs]\ncall_chance = 12"), "[jobs]: call_chance: 12 does not fit; give a number from"),
        (edited("[mqtt]", 'language = "fr"\n[mqtt]'), '[site]: language: "fr" does not fit; give "en" or "pt"'),
    ],
)
def test_jobs_and_digest_with_a_mistake_each(text: str, said: str) -> None:
    (line,) = lines_of(text)
    assert said in line
    assert not any(word in line for word in JARGON)


def test_jobs_and_digest_without_a_mistake() -> None:
    assert lines_of(switch('zone = "salad"\njob = "shade"')) == []
    assert lines_of(own_job('when = "in heat"\nzones = ["salad"]')) == []
    assert lines_of(with_table(MAIL)) == []
    assert lines_of(with_table(f'{MAIL}security = "none"'.replace("mail.example", "localhost"))) == []
