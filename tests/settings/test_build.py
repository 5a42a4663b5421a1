"""What the core and the guard get from a config: litres and millimetres by hand, figures by published tables."""

from datetime import date, time
from math import pi
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.core.site import Hours, Line, MonthNormal, Mulch, Zone
from controller.drivers import gpio
from controller.guard.rules import Charge, Guard, MasterRule, ValveRule
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

    assert (site.id, site.latitude_deg, site.longitude_deg, site.elevation_m) == ("plot", 38.57, -7.91, 0.0)
    assert site.timezone == ZoneInfo("Europe/Lisbon")
    assert (site.supply.capacity_l_min, site.supply.dead_s) == (12.0, 4.0)  # the master's lead and trail, 2 s each
    assert site.watering.allowed == (Hours(time(20), time(9)),)
    assert [each.id for each in site.zones] == ["tomatoes", "salad", "peppers"]
    assert site.zone("tomatoes").planted == date(2026, 4, 25)
    assert site.zone("salad").name == "salad"


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


@pytest.mark.published(source="geometry: the store of the pots is the volume of mix times its available share")
def test_pots_store_what_their_mix_can_hold() -> None:
    peppers = zone(GOOD, "peppers")

    assert peppers.pots
    # 4 pots of 30 L; a cylinder as deep as wide; the crown twice as wide
    width_m = (4 * 0.030 / pi) ** (1 / 3)
    assert peppers.area_m2 == pytest.approx(4 * pi * width_m**2)
    # 0.20 of 120 L is 24 L, whatever the area it is spread over
    assert peppers.root_depth_m is not None
    available = peppers.soil.field_capacity - peppers.soil.wilting_point
    assert available * 1000 * peppers.root_depth_m * peppers.area_m2 == pytest.approx(24)


def test_pots_take_area_soil_and_depth_if_given() -> None:
    peppers = zone(edited("pots = {", 'area_m2 = 2\nsoil = "loam"\nroot_depth_m = 0.2\npots = {'), "peppers")

    assert (peppers.area_m2, peppers.soil.texture, peppers.root_depth_m) == (2.0, "loam", 0.2)


def test_mulch_drinks_only_what_falls_on_it() -> None:
    assert zone(GOOD, "tomatoes").mulch == Mulch("straw", 6.0, 0.0)
    over = zone(edited(", under_mulch = true", ""), "tomatoes").mulch
    # 5 t/ha of straw, some 6 cm, hold up to 2.4 mm (trade figure of 4.8 times the weight)
    assert over is not None
    assert over.drinks_mm == pytest.approx(2.4)


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


def test_the_guard_gets_flows_limits_and_pins() -> None:
    settings = loaded(GOOD)

    assert settings.charge() == Charge(
        supply_capacity_l_min=12.0,
        valves={
            "tomatoes": ValveRule(1.6 * 20 / 0.3 / 60, 1800.0, 14_400.0),
            "salad": ValveRule(40 / 60, 1200.0, 14_400.0),
            "peppers": ValveRule(16 / 60, 1800.0, 14_400.0),
        },
        master=MasterRule(2.0, 2.0),
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
