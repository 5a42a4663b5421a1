"""Compare with a figure exactly as it was printed: the tolerance is what its digits can tell."""

from typing import Any

import pytest


def printed(figure: str, digits_off: float = 0.6) -> Any:
    """The figure, within `digits_off` units of its last printed digit.

    A little more than one half, since pages round their intermediate values too.
    """
    _, _, decimals = figure.partition(".")
    return pytest.approx(float(figure), abs=digits_off * 10.0 ** -len(decimals), rel=0)
