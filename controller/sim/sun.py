"""Where the simulated sun stands and how much of it arrives. Not the formulas of the water balance."""

import math
from datetime import datetime


def declination_rad(instant: datetime) -> float:
    """Cooper (1969, Solar Energy 12:333): δ = 23.45° sin(360° (284 + n) / 365). Good to about a degree."""
    angle_deg = 360.0 * (284 + instant.timetuple().tm_yday) / 365.0
    return math.radians(23.45) * math.sin(math.radians(angle_deg))


def equation_of_time_min(instant: datetime) -> float:
    """Sundial minus clock, minutes: Whillier (1979) as in Duffie & Beckman, B = 360° (n − 81) / 364."""
    b = math.radians(360.0 * (instant.timetuple().tm_yday - 81) / 364.0)
    return 9.87 * math.sin(2 * b) - 7.53 * math.cos(b) - 1.5 * math.sin(b)


def solar_time_h(instant: datetime, longitude_deg: float) -> float:
    """Hours on the sundial, 0 to 24, for an instant in UTC."""
    clock_h = instant.hour + instant.minute / 60.0 + instant.second / 3600.0
    return (clock_h + longitude_deg / 15.0 + equation_of_time_min(instant) / 60.0) % 24.0


def sine_of_elevation(instant: datetime, latitude_deg: float, longitude_deg: float) -> float:
    """Sine of the sun's height over the horizon; negative at night."""
    latitude, declination = math.radians(latitude_deg), declination_rad(instant)
    hour_angle = math.radians(15.0 * (solar_time_h(instant, longitude_deg) - 12.0))
    return (math.sin(latitude) * math.sin(declination)
            + math.cos(latitude) * math.cos(declination) * math.cos(hour_angle))


def clear_sky_w_m2(sine: float) -> float:
    """Global radiation under a clear sky [W/m2]: Haurwitz (1945), 1098 sin h exp(−0.059 / sin h)."""
    return 1098.0 * sine * math.exp(-0.059 / sine) if sine > 1e-3 else 0.0


def through_cloud(cover: float) -> float:
    """Share of the clear-sky radiation that passes a cloud cover of 0 to 1: Kasten & Czeplak (1980)."""
    return 1.0 - 0.75 * math.pow(cover, 3.4)


def half_day_h(instant: datetime, latitude_deg: float) -> float:
    """Hours from sunrise to solar noon: 0 in polar night, 12 in midnight sun."""
    cosine = -math.tan(math.radians(latitude_deg)) * math.tan(declination_rad(instant))
    return math.degrees(math.acos(min(1.0, max(-1.0, cosine)))) / 15.0
