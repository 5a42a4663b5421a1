"""The one way in which a formula refuses a number: by naming the quantity, the value and what is allowed."""


def within(quantity: str, value: float, low: float, high: float, unit: str = "") -> float:
    """Give `value` back if low <= value <= high; else raise ValueError. NaN is never within.

    >>> within("slope", 4.0, 0.0, 100.0, "%")
    4.0
    """
    if not low <= value <= high:
        unit = f" {unit}" if unit else ""
        raise ValueError(f"{quantity} is {value}{unit}; it must lie between {low:g} and {high:g}{unit}")
    return value
