"""What the core and the guard get from a config: litres and millimetres by hand, figures by published tables."""

from datetime import date, time
from math import pi
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.agronomy.drip import run_time_multiplier
from controller.core.site import Heat, Hours, Line, MonthNormal, Mulch, Pots, Rule, Shade, SunPump, Zone
from controller.drivers import gpio
from controller.guard.rules import Charge, Guard, MasterRule, SupplyRule, ValveRule
from controller.settings import ConfigError, load, password
from controller.settings.tables import MqttTable
from tests.settings.gardens import CONFIG, GOOD, edited, loaded


def zone(text: str, zone_id: str) -> Zone:
    return loaded(text).build().zone(zone_id)


def with_line(line: str) -> Line:
    """The line of the salad bed, 4 m2, if it had this table."""
    return zone(edited('{ kind = "weeper hose", flow_l_h_m = 5, length_m = 8 }', f"{{ {line} }}"), "salad").line


def test_the_place_and_the_rules_come_through() -> None:
    site = loaded(GOOD).build()

    assert (site.id, site.latitude_deg, site.longitude_deg, site.elevation_m) == ("plot", 38.57, -7.91, 240.0)
    assert site.timezone == ZoneInfo("Europe/Lisbon")
    (supply,) = site.supplies
    assert (supply.capacity_l_min, supply.dead_s) == (12.0, 4.0)  # the master's lead and trail, 2 s each
    assert site.watering.allowed == (Hours(time(20), time(9)),)
    assert [each.id for each in site.zones] == ["tomatoes", "salad", "peppers"]
    assert site.zone("tomatoes").planted == date(2026, 4, 25)
    assert site.zone("salad").name == "salad"


def test_the_rules_of_the_place_come_through() -> None:
    rules = """
    [[rule]]
    name = "the town's"
    water = "only then"
    odd_even = "even"
    season = { from = "11-01", until = "03-31" }
    hours = [{ from = 19:00:00, until = 10:00:00 }]
    night_belongs_to = "the evening before"
    zones = ["salad"]
    exempt = ["pots", "by hand"]
    [[rule]]
    name = "the ban"
    water = "forbidden"
    weekdays = ["wednesday", "sunday"]
    dates = [2026-07-15]
    every_days = 2
    counted_from = 2026-05-01
    [[rule]]
    name = "a stage that is not called"
    water = "forbidden"
    days_of_month = [31]
    in_force = false

    [supply]
    sun_pump = { before_sunset_min = 90 }
    quiet = [{ from = 22:00:00, until = 07:00:00 }]
    """
    site = loaded(edited("[supply]", rules)).build()

    assert site.rules == (
        Rule(
            "the town's", False, (11, 1), (3, 31), month_days=frozenset(range(2, 32, 2)),
            hours=(Hours(time(19), time(10)),), from_evening=True, zones=frozenset({"salad"}),
            exempt=frozenset({"pots", "by hand"}),
        ),
        Rule(
            "the ban", True, weekdays=frozenset({2, 6}), dates=frozenset({date(2026, 7, 15)}), every=2,
            since=date(2026, 5, 1),
        ),
    )
    assert site.supplies[0].quiet == (Hours(time(22), time(7)),)
    assert site.supplies[0].sun_pump == SunPump(60.0, 90.0)


@pytest.mark.published(source="definition: emitters times flow; 1 mm on 1 m2 is 1 L")
@pytest.mark.parametrize(
    ("line", "flow_l_min", "rate_mm_h"),
    [
        # 30 emitters of 1.6 L/h are 48 L/h; on a strip 9 m by 0.3 m
        ('kind = "dripline", emitter_flow_l_h = 1.6, emitter_spacing_m = 0.3, length_m = 9', 0.8, 48 / 2.7),
        # the same line 30 m long, three to a metre of width: it cannot wet more than the bed's 4 m2
        ('kind = "dripline", emitter_flow_l_h = 1.6, emitter_spacing_m = 0.3, length_m = 30', 160 / 60, 160 / 4),
        # ten drippers of 3 L/h on circles 0.4 m across
        ('kind = "drippers", emitter_flow_l_h = 3, count = 10, wetted_width_m = 0.4', 0.5, 3 / (pi * 0.2**2)),
        # 8 m of hose at 6 L/h per m
        ('kind = "weeper hose", flow_l_h_m = 6, length_m = 8', 0.8, 48 / 2.4),
        ('kind = "micro-spray", flow_l_min = 1', 1.0, 60 / 4),
        # measured flow overrules the computed 0.8
        ('kind = "weeper hose", flow_l_h_m = 6, length_m = 8, flow_l_min = 0.6', 0.6, 36 / 2.4),
    ],
)
def test_flow_and_rate_of_each_kind_of_line(line: str, flow_l_min: float, rate_mm_h: float) -> None:
    built = with_line(line)

    assert built.flow_l_min == pytest.approx(flow_l_min)
    assert built.rate_mm_h == pytest.approx(rate_mm_h)


def test_a_measured_flow_is_shared_by_the_emitters() -> None:
    line = 'kind = "dripline", emitter_flow_l_h = 1.6, emitter_spacing_m = 0.3, length_m = 9'

    assert with_line(line).emitter_flow_l_h == pytest.approx(1.6)
    assert with_line(f"{line}, flow_l_min = 0.6").emitter_flow_l_h == pytest.approx(1.2)
    assert with_line('kind = "micro-spray", flow_l_min = 1').emitter_flow_l_h is None


def test_what_the_bulb_under_an_emitter_depends_on_is_kept() -> None:
    dripline = with_line('kind = "dripline", emitter_flow_l_h = 1.6, emitter_spacing_m = 0.5, length_m = 9')
    assert (dripline.emitter_spacing_m, dripline.length_m, dripline.wetted_width_m) == (0.5, 9.0, None)

    hose = with_line('kind = "weeper hose", flow_l_h_m = 6, length_m = 8, wetted_width_m = 0.4')
    # 0.3 m of hose counts as an emitter: 1.8 L/h
    assert (hose.emitter_spacing_m, hose.length_m, hose.wetted_width_m) == (0.3, 8.0, 0.4)
    assert hose.emitter_flow_l_h == pytest.approx(1.8)

    drippers = with_line('kind = "drippers", emitter_flow_l_h = 3, count = 10')
    assert (drippers.emitter_spacing_m, drippers.length_m) == (None, None)


@pytest.mark.published(source="Irrigation Association auditing: run time multiplier 1 / (0.4 + 0.6 DU), from memory")
def test_measured_evenness_is_paid_for_in_the_efficiency() -> None:
    line = 'kind = "drippers", emitter_flow_l_h = 3, count = 4'

    assert with_line(line).uniformity is None
    assert with_line(f"{line}, efficiency = 0.9, uniformity = 0.8").efficiency == pytest.approx(0.9 * 0.88)
    assert with_line(f"{line}, efficiency = 0.9, uniformity = 1").efficiency == pytest.approx(0.9)
    # then what stands for losses alone is the upper end of 0.85 to 0.95
    assert with_line(f"{line}, uniformity = 0.8").efficiency == pytest.approx(0.95 / run_time_multiplier(0.8))


def test_efficiency_is_as_given_else_by_kind() -> None:
    assert with_line('kind = "drippers", emitter_flow_l_h = 3, count = 4').efficiency == 0.90
    assert with_line('kind = "drippers", emitter_flow_l_h = 3, count = 4, efficiency = 0.7').efficiency == 0.7


@pytest.mark.published(source="FAO-56 (1998), Example 36 (loamy sand 0.15, 0.06) and Table 19 (midpoints for sand)")
def test_a_soil_is_the_librarys_row_but_for_what_the_table_says() -> None:
    tomatoes = zone(GOOD, "tomatoes").soil
    assert (tomatoes.field_capacity, tomatoes.wilting_point) == (0.15, 0.06)
    # FAO-56 eq. 73, a layer of 0.10 m
    assert tomatoes.total_evaporable_mm == pytest.approx(1000 * (0.15 - 0.5 * 0.06) * 0.10)

    sand = zone(edited('"sandy loam"', '{ texture = "sand", intake_mm_h = 40 }'), "salad").soil
    assert sand.field_capacity == pytest.approx((0.07 + 0.17) / 2)
    assert sand.wilting_point == pytest.approx((0.02 + 0.07) / 2)
    assert sand.intake_mm_h == 40
    assert "intake_mm_h as configured" in sand.source
    assert sand.total_evaporable_mm == pytest.approx((6 + 12) / 2)  # Table 19; only water contents change it


def test_a_soil_may_have_a_surface_of_its_own() -> None:
    own = '{ texture = "sand", surface_store_mm = 3, saturated_conductivity_mm_h = 90, repellent = true }'
    salad = zone(edited('"sandy loam"', own), "salad")

    assert [salad.soil.surface_store_mm(slope) for slope in (0, 5, 30)] == [3, 3, 3]
    assert salad.soil.saturated_conductivity_mm_h == 90
    assert salad.repellent
    assert salad.soil.source.startswith("surface_store_mm, saturated_conductivity_mm_h as configured; ")
    assert not zone(GOOD, "salad").repellent
    only_repellent = zone(edited('"sandy loam"', '{ texture = "sand", repellent = true }'), "salad")
    assert only_repellent.soil == zone(edited('"sandy loam"', '"sand"'), "salad").soil


@pytest.mark.published(source="FAO-56 (1998), Tables 12 and 22: tomato, Kc mid 1.15, p 0.40")
def test_a_crop_is_the_librarys_row_but_for_what_the_table_says() -> None:
    assert zone(GOOD, "tomatoes").crop.kc_mid == 1.15

    own = zone(
        edited('"tomato"', '{ name = "Dwarf tomato", like = "tomato", kc_mid = 1.0, stages_days = [20, 30, 40, 10] }'),
        "tomatoes",
    ).crop
    assert (own.name, own.kc_mid, own.depletion_fraction) == ("Dwarf tomato", 1.0, 0.40)
    assert own.stages is not None
    assert own.stages.total == 100


@pytest.mark.published(source="Bilderback et al. 2005: 25 % of pine bark and sand is available; volume times share")
def test_pots_store_what_their_mix_can_hold() -> None:
    peppers = zone(GOOD, "peppers")

    assert peppers.pots
    # 4 pots of 30 L; a cylinder as deep as wide; the crown twice as wide
    width_m = (4 * 0.030 / pi) ** (1 / 3)
    assert peppers.area_m2 == pytest.approx(4 * pi * width_m**2)
    # 0.25 of 120 L is 30 L, whatever the area it is spread over
    assert peppers.root_depth_m is not None
    available = peppers.soil.field_capacity - peppers.soil.wilting_point
    assert available * 1000 * peppers.root_depth_m * peppers.area_m2 == pytest.approx(30)
    assert (peppers.pots.count, peppers.pots.volume_l, peppers.pots.moves_off_line) == (4, 30.0, False)
    assert peppers.pots.available_share == pytest.approx(0.25)


def test_pots_and_their_soil_agree_on_what_plants_can_take() -> None:
    own = zone(edited("volume_l = 30", "volume_l = 30, available_share = 0.3, moves_off_line = true"), "peppers")
    assert own.pots is not None
    assert own.pots.moves_off_line
    assert own.pots.available_share == pytest.approx(0.3)
    assert own.soil.field_capacity - own.soil.wilting_point == pytest.approx(0.3)

    loam = zone(edited("pots = {", 'soil = "loam"\npots = {'), "peppers")
    assert loam.pots == Pots(4, 30.0, loam.soil.field_capacity - loam.soil.wilting_point)
    assert zone(GOOD, "salad").pots is None


def test_pots_take_area_soil_and_depth_if_given() -> None:
    peppers = zone(edited("pots = {", 'area_m2 = 2\nsoil = "loam"\nroot_depth_m = 0.2\npots = {'), "peppers")

    assert (peppers.area_m2, peppers.soil.texture, peppers.root_depth_m) == (2.0, "loam", 0.2)


def test_mulch_drinks_only_what_falls_on_it() -> None:
    under = zone(GOOD, "tomatoes").mulch
    # 5 t/ha of straw, some 6 cm, hold up to 2.4 mm (trade figure of 4.8 times the weight)
    assert under == Mulch("straw", 6.0, 1.0, 0.5, 6 * 0.4, under_line=True)
    assert under.drinks_mm == 0

    over = zone(edited(", under_mulch = true", ""), "tomatoes").mulch
    assert over is not None
    assert over.drinks_mm == pytest.approx(2.4)


@pytest.mark.published(source="FAO-56 (1998), chapter 10, from memory: organic mulch takes 5 % for each tenth covered")
@pytest.mark.parametrize(
    ("mulch", "factor"),
    [
        ('kind = "straw", depth_cm = 6', 0.5),
        ('kind = "bark", depth_cm = 6, cover = 0.5', 0.75),
        ('kind = "hay", depth_cm = 6, cover = 0.1', 0.95),
        ('kind = "film", depth_cm = 0.1', 0.0),  # AquaCrop, from memory
        ('kind = "film", depth_cm = 0.1, cover = 0.8', 0.2),
    ],
)
def test_mulch_stops_evaporation_where_it_lies(mulch: str, factor: float) -> None:
    built = zone(edited('kind = "straw", depth_cm = 6', mulch), "tomatoes").mulch

    assert built is not None
    assert built.evaporation_factor == pytest.approx(factor)


def test_a_mulch_with_gaps_drinks_less() -> None:
    text = edited(", under_mulch = true", "").replace("depth_cm = 6", "depth_cm = 6, cover = 0.5")

    mulch = zone(text, "tomatoes").mulch
    assert mulch is not None
    assert mulch.drinks_mm == pytest.approx(1.2)


def test_shades_come_through_in_their_order() -> None:
    cloth = '{ kind = "cloth", percent = 50, hours = { from = 11:00:00, until = 17:00:00 }, months = [6, 7, 8, 9] }'
    tree = '{ kind = "tree", percent = 70, wind_factor = 0.8 }'
    by_hand = '{ kind = "cloth", percent = 40, by_hand = true }'

    salad = zone(edited("area_m2 = 4\n", f"area_m2 = 4\nshade = [{cloth}, {tree}, {by_hand}]\n"), "salad")

    assert salad.shades == (
        Shade("cloth", 0.5, Hours(time(11), time(17)), frozenset({6, 7, 8, 9})),
        Shade("tree", 0.7, wind_factor=0.8),
        Shade("cloth", 0.4, by_hand=True),
    )
    assert zone(GOOD, "salad").shades == ()


def test_a_tender_zone_is_tender_until_it_is_established() -> None:
    planted = "planted = 2026-04-25"

    assert zone(edited(planted, f"{planted}\ntender = true"), "tomatoes").tender_until == date(2026, 5, 16)
    ten = zone(edited(planted, f"{planted}\ntender = true\nestablished_after_days = 10"), "tomatoes")
    assert (ten.tender, ten.tender_until) == (True, date(2026, 5, 5))
    unknown = zone(edited(planted, "tender = true"), "tomatoes")
    assert (unknown.tender, unknown.tender_until) == (True, None)
    assert zone(GOOD, "tomatoes").tender_until is None


def test_value_and_rescue_are_as_given() -> None:
    given = zone(edited("area_m2 = 4\n", "area_m2 = 4\nvalue = 3\nrescue = true\n"), "salad")

    assert (given.value, given.rescue) == (3, True)
    assert (zone(GOOD, "salad").value, zone(GOOD, "salad").rescue) == (2, False)


def with_salt(text: str, salinity_ds_m: float) -> str:
    return text.replace("capacity_l_min = 12", f"capacity_l_min = 12\nsalinity_ds_m = {salinity_ds_m}")


@pytest.mark.published(source="FAO-29 rev. 1 (1985): drip ECw / (2 max ECe), else ECw / (5 ECe - ECw); Maas 1990: "
                              "tomato 2.5 dS/m and 9.9 %, lettuce 1.3 and 13, capsicum 1.5 and 14")  # fmt: skip
def test_salty_water_asks_for_leaching() -> None:
    tomatoes = zone(with_salt(GOOD, 2.0), "tomatoes")
    assert tomatoes.salt_threshold_ds_m == 2.5
    assert tomatoes.leaching_fraction == pytest.approx(2.0 / (2 * (2.5 + 100 / 9.9)))
    assert zone(with_salt(edited('"tomato"', '{ name = "Mine", like = "tomato" }'), 2.0), "tomatoes") \
        .leaching_fraction == tomatoes.leaching_fraction  # fmt: skip

    spray = edited('{ kind = "weeper hose", flow_l_h_m = 5, length_m = 8 }', '{ kind = "micro-spray", flow_l_min = 1 }')
    assert zone(with_salt(spray, 1.0), "salad").leaching_fraction == pytest.approx(1.0 / (5 * 1.3 - 1.0))
    assert zone(with_salt(edited('"capsicum"', '"chilli"'), 1.0), "peppers").salt_threshold_ds_m == 1.5

    unknown = zone(GOOD, "tomatoes")
    assert (unknown.salt_threshold_ds_m, unknown.leaching_fraction) == (0.0, 0.0)
    okra = zone(with_salt(edited('"capsicum"', '"okra"'), 2.0), "peppers")
    assert (okra.salt_threshold_ds_m, okra.leaching_fraction) == (0.0, 0.0)
    assert loaded(with_salt(GOOD, 2.0)).build().supplies[0].salinity_ds_m == 2.0


def test_leaching_has_an_end() -> None:
    spray = edited('{ kind = "weeper hose", flow_l_h_m = 5, length_m = 8 }', '{ kind = "micro-spray", flow_l_min = 1 }')

    assert zone(with_salt(spray, 2.0), "salad").leaching_fraction == 0.30  # the formula asks for 0.44
    assert zone(with_salt(spray, 5.0), "salad").leaching_fraction == 0.30  # the formula has no answer


def test_heat_is_as_given_and_the_climate_left_to_be_learnt() -> None:
    assert loaded(GOOD).build().heat == Heat(37.0, 26.0, 2, ehf=True, t95_c=None, hot_night_c=21.0)
    text = edited("mild_day_c = 26", "mild_day_c = 26\nehf = false\nt95_c = 27.5\nehf85_c2 = 18\nhot_night_c = 22")
    assert loaded(text).build().heat == Heat(37.0, 26.0, 2, ehf=False, t95_c=27.5, hot_night_c=22.0, ehf85_c2=18.0)


def test_normals_are_put_in_order() -> None:
    months = "".join(
        f"[[normal]]\nmonth = {month}\ntmax_c = {20 + month}\ntmin_c = {month}\n" for month in range(12, 0, -1)
    )

    normals = loaded(edited("[supply]", f"{months}[supply]")).build().normals

    assert normals[0] == MonthNormal(21.0, 1.0)
    assert normals[11] == MonthNormal(32.0, 12.0)


def test_sensors_get_the_cores_words_and_seconds() -> None:
    site = loaded(edited('unit = "°C"', 'unit = "°C"\nstale_after_min = 90')).build()

    probe, air = site.sensors
    assert (probe.kind, probe.zone, probe.sd, probe.stale_after_s) == ("moisture", "tomatoes", 0.03, 21_600.0)
    assert (air.kind, air.zone, air.stale_after_s) == ("air temperature", None, 5_400.0)


def test_a_rain_switch_and_a_soil_thermometer_come_through() -> None:
    switch = edited('kind = "air temperature"', 'kind = "rain switch"').replace('unit = "°C"\n', "")
    assert [(each.kind, each.zone, each.sd) for each in loaded(switch).build().sensors][1] == ("rain switch", None, 0.0)

    soil = edited('kind = "air temperature"', 'kind = "soil temperature"\nzone = "salad"')
    assert [(each.kind, each.zone, each.sd) for each in loaded(soil).build().sensors][1] == (
        "soil temperature", "salad", 0.5,
    )  # fmt: skip


def test_the_guard_gets_flows_limits_and_pins() -> None:
    settings = loaded(GOOD)

    assert settings.charge() == Charge(
        supplies={"supply": SupplyRule(12.0, MasterRule(2.01, 2.01))},
        valves={
            "tomatoes": ValveRule(1.6 * 20 / 0.3 / 60, 1800.0, 14_400.0),
            "salad": ValveRule(40 / 60, 1200.0, 14_400.0),
            "peppers": ValveRule(16 / 60, 1800.0, 14_400.0),
        },
        silence_s=1.0,
    )
    assert settings.lines() == {
        "tomatoes": gpio.Line(22, True),
        "salad": gpio.Line(23, True),
        "peppers": gpio.Line(5, False),
        "master": gpio.Line(17, True),
    }


def test_guard_and_core_are_told_the_same_limits() -> None:
    settings = load(CONFIG / "demo.toml")
    valves = settings.charge().valves

    for each in settings.build().zones:
        rule = valves[each.id]
        assert (rule.flow_l_min, rule.longest_s, rule.most_s_per_24h) == (
            each.line.flow_l_min, each.longest_pulse_s, each.most_s_per_24h,
        )  # fmt: skip
    assert Guard(charge=settings.charge()).charge is not None


def test_the_port_follows_tls() -> None:
    assert MqttTable().tcp_port == 1883
    assert MqttTable.model_validate({"tls": {}}).tcp_port == 8883
    assert MqttTable.model_validate({"tls": {}, "port": 1884}).tcp_port == 1884


def test_the_password_comes_from_its_file_else_from_the_credentials(tmp_path: Path) -> None:
    (tmp_path / "own").write_text("by file\n")
    (tmp_path / "mqtt-password").write_text("by credential")
    environment = {"CREDENTIALS_DIRECTORY": str(tmp_path)}

    assert password(MqttTable(), {}) is None
    assert password(MqttTable(), environment) == "by credential"
    assert password(MqttTable(password_file=str(tmp_path / "own")), environment) == "by file"
    (tmp_path / "mqtt-password").unlink()
    assert password(MqttTable(), environment) is None


def test_a_missing_password_file_is_told_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as refused:
        password(MqttTable(password_file=str(tmp_path / "none")), {})

    (line,) = refused.value.lines
    assert "the broker's password: cannot be read: no such file or directory" in line


@pytest.mark.parametrize(("name", "says"), [("none.toml", "no such file"), (".", "is a directory")])
def test_a_file_that_cannot_be_read_is_told_in_one_line(tmp_path: Path, name: str, says: str) -> None:
    with pytest.raises(ConfigError) as refused:
        load(tmp_path / name)

    (line,) = refused.value.lines
    assert line.startswith(f"{tmp_path}")
    assert f"cannot be read: {says}" in line
