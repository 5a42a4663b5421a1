"""How much of a rain counts.

A watering decision uses the daily rule and lets the balance of the root zone find runoff and drainage. The
monthly methods are for reports and for comparison with other people's reports only: on well-drained soil
they agree with daily balances in mean years, not in wet ones.
"""

from controller.agronomy.ranges import within

MM_PER_INCH = 25.4


def effective_daily_mm(rain_mm: float, et0_mm: float) -> float:
    """Rain of a day, mm, that counts in the balance: all of it, or nothing under 0.2 ETo (FAO-56 chapter 8).

    So little wets leaves and mulch and is gone the same day.

    >>> effective_daily_mm(1.5, 8), effective_daily_mm(1.7, 8)
    (0.0, 1.7)
    """
    within("rain", rain_mm, 0, 2000, "mm")
    within("reference evapotranspiration", et0_mm, 0, 50, "mm")
    return rain_mm if rain_mm >= 0.2 * et0_mm else 0.0


def storage_factor_tr21(usable_storage_mm: float) -> float:
    """Storage factor SF of USDA-SCS TR-21 (NEH 623 chapter 2), from memory; 1 for 75 mm.

    >>> round(storage_factor_tr21(75), 3)
    0.998
    """
    within("usable storage", usable_storage_mm, 10, 200, "mm")
    d = usable_storage_mm / MM_PER_INCH
    return 0.531747 + 0.295164 * d - 0.057697 * d**2 + 0.003804 * d**3


def effective_monthly_tr21_mm(rain_mm: float, etc_mm: float, usable_storage_mm: float) -> float:
    """Effective rain of a month, mm, by USDA-SCS TR-21 (NEH 623 chapter 2), from memory.

    At most the rain and at most ETc. Pe = SF (0.70917 P^0.82416 - 0.11556) 10^(0.02426 ETc), in inches.

    >>> round(effective_monthly_tr21_mm(100, 150, 75), 1)
    73.3
    """
    within("rain of the month", rain_mm, 0, 5000, "mm")
    within("crop evapotranspiration of the month", etc_mm, 0, 1500, "mm")
    p, etc = rain_mm / MM_PER_INCH, etc_mm / MM_PER_INCH
    effective_in = (
        storage_factor_tr21(usable_storage_mm)
        * (0.70917 * p**0.82416 - 0.11556)
        * 10 ** (0.02426 * etc)
    )
    return max(0.0, min(float(effective_in) * MM_PER_INCH, rain_mm, etc_mm))


def effective_monthly_scs_mm(rain_mm: float) -> float:
    """Effective rain of a month, mm, by the simple formula of the USDA Soil Conservation Service.

    >>> round(effective_monthly_scs_mm(100)), round(effective_monthly_scs_mm(300))
    (84, 155)
    """
    within("rain of the month", rain_mm, 0, 5000, "mm")
    return rain_mm * (125 - 0.2 * rain_mm) / 125 if rain_mm <= 250 else 125 + 0.1 * rain_mm


def effective_monthly_fao3_mm(rain_mm: float) -> float:
    """Effective rain of a month, mm, by FAO Irrigation Water Management Training Manual 3, from memory.

    >>> round(effective_monthly_fao3_mm(50)), round(effective_monthly_fao3_mm(100))
    (20, 55)
    """
    within("rain of the month", rain_mm, 0, 5000, "mm")
    return max(0.0, 0.6 * rain_mm - 10) if rain_mm <= 75 else 0.8 * rain_mm - 25


def effective_monthly_dependable_mm(rain_mm: float) -> float:
    """Dependable rain of a month, mm: the formula that FAO gives for four years in five.

    >>> round(effective_monthly_dependable_mm(100))
    56
    """
    within("rain of the month", rain_mm, 0, 5000, "mm")
    return max(0.0, 0.6 * rain_mm - 10) if rain_mm <= 70 else 0.8 * rain_mm - 24


def effective_event_texas_mm(rain_mm: float) -> float:
    """Effective part of one rain, mm, by Texas A&M's rule: the first 0.1 inch is lost, all counts to 1
    inch, two thirds to 2 inches, nothing beyond.

    >>> round(effective_event_texas_mm(30), 1)
    25.9
    """
    within("rain", rain_mm, 0, 2000, "mm")
    tenth, inch = 0.1 * MM_PER_INCH, MM_PER_INCH
    whole = max(0.0, min(rain_mm, inch) - tenth)
    two_thirds = max(0.0, min(rain_mm, 2 * inch) - inch) * 2 / 3
    return whole + two_thirds
