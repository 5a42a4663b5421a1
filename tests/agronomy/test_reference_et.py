"""Reference evapotranspiration against the worked examples of FAO-56 and a measured station day."""

from dataclasses import dataclass
from math import isfinite

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.reference_et import (
    ASCE_HOURLY_DRAG,
    daily_et0,
    hargreaves_mm,
    hourly_et0,
    mean_saturation_kpa,
    monthly_soil_heat_mj_m2,
    net_longwave_daily_mj_m2,
    net_longwave_hourly_mj_m2,
    net_shortwave_mj_m2,
    penman_monteith_daily_mm,
    pressure_kpa,
    psychrometric_kpa_per_c,
    saturation_kpa,
    sky_clearness,
    slope_kpa_per_c,
    soil_heat_from_previous_month_mj_m2,
    vapour_from_humidity_kpa,
    vapour_from_maximum_humidity_kpa,
    vapour_from_mean_humidity_kpa,
    vapour_from_psychrometer_kpa,
    wind_at_2m,
)
from controller.agronomy.sunlight import clear_sky_mj_m2, extraterrestrial_daily_mj_m2

from .printed import printed

LYON, UCCLE, BANGKOK = 45 + 43 / 60, 50 + 48 / 60, 13 + 44 / 60


# The small examples of chapter 3 ------------------------------------------------------------------


@pytest.mark.published(source="FAO-56 (1998), chapter 3 and Annex 2")
@pytest.mark.parametrize(
    ("example", "computed", "figure"),
    [
        ("2, pressure", pressure_kpa(1800), "81.8"),
        ("2, psychrometric constant", psychrometric_kpa_per_c(81.8), "0.054"),
        ("3, e° of 24.5", saturation_kpa(24.5), "3.075"),
        ("3, e° of 15", saturation_kpa(15), "1.705"),
        ("3, es", mean_saturation_kpa(24.5, 15), "2.39"),
        ("3, e° of the mean", saturation_kpa(19.75), "2.302"),
        ("4, psychrometer", vapour_from_psychrometer_kpa(25.6, 19.5, pressure_kpa(1200)), "1.91"),
        ("5, from both extremes", vapour_from_humidity_kpa(25, 18, 82, 54), "1.70"),
        ("5, from RHmax", vapour_from_maximum_humidity_kpa(18, 82), "1.69"),
        ("5, from RHmean", vapour_from_mean_humidity_kpa(25, 18, 68), "1.78"),
        ("11, Rnl", net_longwave_daily_mj_m2(25.1, 19.1, 2.1, 14.5 / 18.8), "3.5"),
        ("12, Rn", net_shortwave_mj_m2(14.5) - 3.534, "7.6"),
        ("13, G", monthly_soil_heat_mj_m2(14.1, 18.8), "0.33"),
        ("14, wind", wind_at_2m(3.2, 10), "2.4"),
        ("17, G", soil_heat_from_previous_month_mj_m2(29.2, 30.2), "0.14"),
        ("Annex 2, e° of 20", saturation_kpa(20), "2.338"),
        ("Annex 2, slope at 20", slope_kpa_per_c(20), "0.145"),
        ("Annex 2, slope at 30", slope_kpa_per_c(30), "0.243"),
    ],
)
def test_small_examples(example: str, computed: float, figure: str) -> None:
    assert computed == printed(figure), example


# The worked days: Examples 17, 18 and 20, piece by piece ------------------------------------------


@pytest.mark.published(source="FAO-56 (1998), Example 17: Bangkok, April")
@pytest.mark.parametrize(
    ("computed", "figure"),
    [
        (slope_kpa_per_c(30.2), "0.246"),
        (pressure_kpa(2), "101.3"),
        (psychrometric_kpa_per_c(pressure_kpa(2)), "0.0674"),
        (saturation_kpa(34.8), "5.56"),
        (saturation_kpa(25.6), "3.28"),
        (mean_saturation_kpa(34.8, 25.6), "4.42"),
        (mean_saturation_kpa(34.8, 25.6) - 2.85, "1.57"),
        (net_shortwave_mj_m2(22.65), "17.44"),
        (net_longwave_daily_mj_m2(34.8, 25.6, 2.85, 22.65 / 28.54), "3.11"),
    ],
)
def test_pieces_of_bangkok(computed: float, figure: str) -> None:
    assert computed == printed(figure)


@pytest.mark.published(source="FAO-56 (1998), Example 18: Uccle, 6 July")
@pytest.mark.parametrize(
    ("computed", "figure"),
    [
        (wind_at_2m(10 / 3.6, 10), "2.078"),
        (slope_kpa_per_c(16.9), "0.122"),
        (pressure_kpa(100), "100.1"),
        (psychrometric_kpa_per_c(pressure_kpa(100)), "0.0666"),
        (saturation_kpa(21.5), "2.564"),
        (saturation_kpa(12.3), "1.431"),
        (mean_saturation_kpa(21.5, 12.3), "1.997"),
        (vapour_from_humidity_kpa(21.5, 12.3, 84, 63), "1.409"),
        (net_shortwave_mj_m2(22.07), "16.99"),
        (net_longwave_daily_mj_m2(21.5, 12.3, 1.409, 22.07 / 30.90), "3.71"),
    ],
)
def test_pieces_of_uccle(computed: float, figure: str) -> None:
    assert computed == printed(figure)


@pytest.mark.published(source="FAO-56 (1998), Example 17: Bangkok, April, 5.72 mm a day")
def test_bangkok() -> None:
    day = daily_et0(
        tmax_c=34.8, tmin_c=25.6, latitude_deg=BANGKOK, elevation_m=2, day_of_year=105, vapour_kpa=2.85,
        wind_2m_m_s=2, solar_mj_m2=22.65, soil_heat_mj_m2=0.14,
    )
    assert day.mm == printed("5.72")
    assert (day.method, day.assumed) == ("FAO-56 Penman-Monteith", ())


@pytest.mark.published(source="FAO-56 (1998), Example 18: Uccle, 6 July, 3.88 mm")
def test_uccle() -> None:
    day = daily_et0(
        tmax_c=21.5, tmin_c=12.3, latitude_deg=UCCLE, elevation_m=100, day_of_year=187, vapour_kpa=1.409,
        wind_2m_m_s=2.078, solar_mj_m2=22.07,
    )
    assert day.mm == printed("3.88")


@pytest.mark.published(source="FAO-56 (1998), Example 20: Lyon, July, from temperatures and an assumed wind")
@pytest.mark.parametrize(("wind", "figure"), [(2.0, "4.56"), (1.0, "4.23"), (3.0, "4.84")])
def test_lyon(wind: float, figure: str) -> None:
    day = daily_et0(
        tmax_c=26.6, tmin_c=14.8, latitude_deg=LYON, elevation_m=200, day_of_year=196, wind_2m_m_s=wind
    )
    assert day.mm == printed(figure)
    assert [sentence.split(":")[0] for sentence in day.assumed] == ["no humidity", "no radiation"]


@pytest.mark.published(source="FAO-56 (1998), Example 20: Hargreaves gives near 5 mm (5.03 computed)")
def test_lyon_with_nothing_but_temperature() -> None:
    day = daily_et0(tmax_c=26.6, tmin_c=14.8, latitude_deg=LYON, elevation_m=200, day_of_year=196)
    assert day.mm == printed("5.03")
    assert day.method == "Hargreaves"
    assert len(day.assumed) == 1


@pytest.mark.published(source="computed from FAO-56 eq. 52 for the days of Examples 17 and 18")
@pytest.mark.parametrize(
    ("tmax_c", "tmin_c", "latitude_deg", "day", "figure"),
    [(34.8, 25.6, BANGKOK, 105, "5.20"), (21.5, 12.3, UCCLE, 187, "4.06")],
)
def test_hargreaves(tmax_c: float, tmin_c: float, latitude_deg: float, day: int, figure: str) -> None:
    assert hargreaves_mm(tmax_c, tmin_c, extraterrestrial_daily_mj_m2(latitude_deg, day)) == printed(figure)


# Example 19, hours --------------------------------------------------------------------------------


@pytest.mark.published(source="FAO-56 (1998), Example 19: N'Diaye, 1 October, pieces")
@pytest.mark.parametrize(
    ("computed", "figure"),
    [
        (slope_kpa_per_c(28), "0.220"),
        (slope_kpa_per_c(38), "0.358"),
        (psychrometric_kpa_per_c(pressure_kpa(8)), "0.0673"),
        (saturation_kpa(28), "3.780"),
        (0.90 * saturation_kpa(28), "3.402"),
        (saturation_kpa(38), "6.625"),
        (0.52 * saturation_kpa(38), "3.445"),
        (net_longwave_hourly_mj_m2(28, 3.402, 0.8), "0.100"),
        (net_longwave_hourly_mj_m2(38, 3.445, 0.922), "0.137"),
        (sky_clearness(2.450, 2.658), "0.922"),
        (net_shortwave_mj_m2(2.450), "1.887"),
        (net_shortwave_mj_m2(2.450) - net_longwave_hourly_mj_m2(38, 3.445, 0.922), "1.749"),
    ],
)
def test_pieces_of_the_hours(computed: float, figure: str) -> None:
    assert computed == printed(figure)


@pytest.mark.published(source="FAO-56 (1998), Example 19: 2 to 3 o'clock 0.00 mm, 14 to 15 o'clock 0.63 mm")
def test_hours() -> None:
    night = hourly_et0(
        temperature_c=28, vapour_kpa=3.402, wind_2m_m_s=1.9, solar_mj_m2=0, clearness=0.8, elevation_m=8
    )
    day = hourly_et0(
        temperature_c=38, vapour_kpa=3.445, wind_2m_m_s=3.3, solar_mj_m2=2.450, clearness=0.922,
        elevation_m=8,
    )
    assert night == printed("0.00")
    assert night > 0
    assert day == printed("0.63")


@pytest.mark.published(source="refet 0.5.0 (ASCE-EWRI 2005), afternoon hour of FAO-56 Example 19: 0.6560")
def test_hour_with_the_wind_coefficients_of_asce() -> None:
    hour = hourly_et0(
        temperature_c=38, vapour_kpa=3.445, wind_2m_m_s=3.3, solar_mj_m2=2.450, clearness=0.922,
        elevation_m=8, drag=ASCE_HOURLY_DRAG,
    )
    assert hour == pytest.approx(0.6560, rel=0.005)


# Whole days with their intermediate values --------------------------------------------------------


@dataclass(frozen=True)
class Weather:
    name: str
    latitude_deg: float
    elevation_m: float
    day: int
    tmax_c: float
    tmin_c: float
    rh_max: float
    rh_min: float
    wind_m_s: float
    wind_height_m: float
    solar: float


# Weather is invented; the results were computed from the formulas of FAO-56 and agree with three libraries.
DAYS = [
    (Weather("heat", -34, 50, 15, 44, 25, 45, 9, 4.0, 10, 30.0),
     "1.122", "6.134", "2.992", "43.34", "32.54", "7.57", "15.53", "11.086", "9.27"),
    (Weather("hot gale", -32, 20, 20, 46, 29, 30, 6, 7.0, 10, 28.0),
     "0.903", "7.046", "5.236", "42.83", "32.14", "7.84", "13.72", "15.321", "9.16"),
    (Weather("mild", -34, 50, 15, 27, 15, 85, 45, 3.0, 10, 29.0),
     "1.527", "2.635", "2.244", "43.34", "32.54", "5.24", "17.09", "5.815", "5.47"),
    (Weather("overcast", -34, 50, 15, 22, 16, 92, 70, 2.5, 2, 9.0),
     "1.762", "2.231", "2.5", "43.34", "32.54", "0.13", "6.80", "2.386", "3.67"),
    (Weather("north", 40, 300, 200, 37, 20, 70, 22, 2.0, 2, 27.5),
     "1.509", "4.307", "2.0", "40.43", "30.57", "5.93", "15.25", "7.435", "7.24"),
    (Weather("winter", -34, 50, 180, 15, 4, 95, 60, 1.5, 2, 8.5),
     "0.898", "1.259", "1.5", "16.28", "12.22", "3.83", "2.72", "1.128", "1.38"),
    (Weather("inland", -23.5, 550, 10, 41, 26, 35, 12, 3.0, 2, 29.0),
     "1.055", "5.570", "3.0", "42.61", "32.43", "7.32", "15.01", "10.277", "7.94"),
]


@pytest.mark.published(source="computed from FAO-56 eqs. 6 to 52; refet, pyet and pyfao56 agree")
@pytest.mark.parametrize(
    ("w", "ea", "es", "u2", "ra", "rso", "rnl", "rn", "et0", "hargreaves"),
    DAYS,
    ids=[row[0].name for row in DAYS],
)
def test_whole_days(
    w: Weather, ea: str, es: str, u2: str, ra: str, rso: str, rnl: str, rn: str, et0: str, hargreaves: str
) -> None:
    vapour = vapour_from_humidity_kpa(w.tmax_c, w.tmin_c, w.rh_max, w.rh_min)
    wind = w.wind_m_s if w.wind_height_m == 2 else wind_at_2m(w.wind_m_s, w.wind_height_m)
    extraterrestrial = extraterrestrial_daily_mj_m2(w.latitude_deg, w.day)
    clear_sky = clear_sky_mj_m2(extraterrestrial, w.elevation_m)
    longwave = net_longwave_daily_mj_m2(w.tmax_c, w.tmin_c, vapour, sky_clearness(w.solar, clear_sky))
    day = daily_et0(
        tmax_c=w.tmax_c, tmin_c=w.tmin_c, latitude_deg=w.latitude_deg, elevation_m=w.elevation_m,
        day_of_year=w.day, vapour_kpa=vapour, wind_2m_m_s=wind, solar_mj_m2=w.solar,
    )
    assert vapour == printed(ea)
    assert mean_saturation_kpa(w.tmax_c, w.tmin_c) == printed(es)
    assert wind == printed(u2)
    assert extraterrestrial == printed(ra)
    assert clear_sky == printed(rso)
    assert longwave == printed(rnl)
    assert net_shortwave_mj_m2(w.solar) - longwave == printed(rn)
    assert day.mm == printed(et0)
    assert hargreaves_mm(w.tmax_c, w.tmin_c, extraterrestrial) == printed(hargreaves)


@pytest.mark.published(source="test data of RefET: Fallon, Nevada, 1 July 2015, a measured station day")
def test_fallon() -> None:
    vapour, wind = 1.2207, wind_at_2m(2.1458, 3)
    assert saturation_kpa(9.911) == pytest.approx(1.2207, abs=6e-4)
    assert mean_saturation_kpa(39.333, 19.25) == printed("4.6747", digits_off=2)
    assert wind == printed("1.9761")
    assert extraterrestrial_daily_mj_m2(39.4575, 182) == printed("41.648")
    assert clear_sky_mj_m2(41.648, 1208.5) == printed("32.243")
    day = daily_et0(
        tmax_c=39.333, tmin_c=19.25, latitude_deg=39.4575, elevation_m=1208.5, day_of_year=182,
        vapour_kpa=vapour, wind_2m_m_s=wind, solar_mj_m2=28.222,
    )
    assert day.mm == pytest.approx(7.998, rel=0.001)


# What physics and good manners ask ----------------------------------------------------------------

TEMPERATURES = st.tuples(st.floats(-50, 60), st.floats(-50, 60)).map(sorted)


@given(
    temperatures=TEMPERATURES,
    latitude=st.floats(-90, 90),
    elevation=st.floats(-450, 6000),
    day=st.integers(1, 366),
    vapour=st.none() | st.floats(0, 10),
    wind=st.none() | st.floats(0, 60),
    solar=st.none() | st.floats(0, 50),
    coastal=st.booleans(),
)
def test_every_day_within_range_has_a_number(
    temperatures: list[float], latitude: float, elevation: float, day: int, vapour: float | None,
    wind: float | None, solar: float | None, coastal: bool,
) -> None:
    tmin, tmax = temperatures
    if tmax - tmin > 50:  # no place on Earth; eq. 50 refuses it
        tmax = tmin + 50
    et0 = daily_et0(
        tmax_c=tmax, tmin_c=tmin, latitude_deg=latitude, elevation_m=elevation, day_of_year=day,
        vapour_kpa=vapour, wind_2m_m_s=wind, solar_mj_m2=solar, coastal=coastal,
    )
    assert isfinite(et0.mm)
    assert et0.mm >= 0
    missing = [value for value in (vapour, wind, solar) if value is None]
    assert len(et0.assumed) == (1 if len(missing) == 3 else len(missing))


def _summer_day(tmax_c: float = 30, wind: float = 2, solar: float = 25, vapour: float = 1.5) -> float:
    return daily_et0(
        tmax_c=tmax_c, tmin_c=15, latitude_deg=-34, elevation_m=50, day_of_year=15, vapour_kpa=vapour,
        wind_2m_m_s=wind, solar_mj_m2=solar,
    ).mm


@given(st.floats(15, 59), st.floats(0.01, 1))
def test_more_heat_means_more_demand(tmax_c: float, more: float) -> None:
    assert _summer_day(tmax_c=tmax_c + more) > _summer_day(tmax_c=tmax_c)


@given(st.floats(11, 30), st.floats(0.01, 2))
def test_more_sun_means_more_demand(solar: float, more: float) -> None:
    assert _summer_day(solar=solar + more) > _summer_day(solar=solar)


@given(st.floats(0, 10), st.floats(0.01, 2))
def test_more_wind_means_more_demand_on_a_dry_day(wind: float, more: float) -> None:
    assert _summer_day(wind=wind + more, tmax_c=40) > _summer_day(wind=wind, tmax_c=40)


@given(st.floats(0.2, 1.9), st.floats(0.01, 0.1))
def test_drier_air_means_more_demand(vapour: float, more: float) -> None:
    assert _summer_day(vapour=vapour) > _summer_day(vapour=vapour + more)


def test_soil_that_takes_heat_leaves_less_for_evaporation() -> None:
    common = {"tmax_c": 30.0, "tmin_c": 15.0, "vapour_kpa": 1.5, "wind_2m_m_s": 2.0, "elevation_m": 50.0}
    warm = penman_monteith_daily_mm(net_radiation_mj_m2=15, soil_heat_mj_m2=0, **common)
    cool = penman_monteith_daily_mm(net_radiation_mj_m2=15, soil_heat_mj_m2=1, **common)
    assert cool < warm


@pytest.mark.parametrize(
    ("change", "quantity"),
    [
        ({"tmax_c": 75}, "maximum temperature"),
        ({"tmin_c": -80}, "minimum temperature"),
        ({"tmin_c": 40}, "above the maximum"),
        ({"latitude_deg": 95}, "latitude"),
        ({"elevation_m": 9000}, "elevation"),
        ({"day_of_year": 400}, "day of year"),
        ({"vapour_kpa": -1}, "vapour pressure"),
        ({"wind_2m_m_s": float("nan")}, "wind"),
        ({"solar_mj_m2": 80}, "solar radiation"),
        ({"soil_heat_mj_m2": 50}, "soil heat flux"),
    ],
)
def test_a_refused_number_is_named(change: dict[str, float], quantity: str) -> None:
    day = {
        "tmax_c": 30, "tmin_c": 15, "latitude_deg": -34, "elevation_m": 50, "day_of_year": 15,
        "vapour_kpa": 1.5, "wind_2m_m_s": 2, "solar_mj_m2": 25,
    }
    with pytest.raises(ValueError, match=quantity):
        daily_et0(**{**day, **change})  # type: ignore[arg-type]
