"""What every test run needs before its tests are collected."""

import sys
from unittest.mock import patch

if "-m" in sys.argv:
    # aquacrop takes a `-m` among the arguments for `python -m aquacrop` and then offers nothing to import; so it is
    # imported before `pytest -m long` collects what needs it.
    with patch.object(sys, "argv", [each for each in sys.argv if each != "-m"]):
        import aquacrop  # noqa: F401
