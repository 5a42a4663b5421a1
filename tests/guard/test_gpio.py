"""The pin driver: no line ever passes through its active level before it is opened."""

import importlib.util
import os
import subprocess
import sys
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from gpiozero.pins.local import LocalPiFactory
from gpiozero.pins.mock import MockFactory

from controller.drivers import gpio
from controller.drivers.gpio import Line, open_lines


class Recorder(types.ModuleType):
    """Stands in for lgpio: notes every call that claims, drives or frees a line; levels are kept."""

    SET_PULL_NONE, SET_PULL_UP, SET_PULL_DOWN = 128, 32, 64
    BOTH_EDGES, RISING_EDGE, FALLING_EDGE = 3, 1, 2
    error = OSError

    def __init__(self) -> None:
        super().__init__("lgpio")
        self.calls: list[tuple[Any, ...]] = []
        self.level: dict[int, int] = {}
        self.output: set[int] = set()

    def gpiochip_open(self, chip: int) -> int:
        return 0

    def gpiochip_close(self, handle: int) -> None:
        self.calls.append(("chip closed",))

    def gpio_claim_input(self, handle: int, gpio: int, flags: int = 0) -> None:
        self.calls.append(("claim input", gpio))
        self.output.discard(gpio)

    def gpio_claim_output(self, handle: int, gpio: int, level: int = 0) -> None:
        self.calls.append(("claim output", gpio, level))
        self.output.add(gpio)
        self.level[gpio] = level

    def gpio_free(self, handle: int, gpio: int) -> None:
        self.calls.append(("free", gpio))

    def gpio_write(self, handle: int, gpio: int, level: int) -> None:
        self.calls.append(("write", gpio, int(level)))
        self.level[gpio] = int(level)

    def gpio_read(self, handle: int, gpio: int) -> int:
        return self.level.get(gpio, 0)

    def gpio_get_mode(self, handle: int, gpio: int) -> int:
        return 2 if gpio in self.output else 0


@pytest.fixture
def lgpio(monkeypatch: pytest.MonkeyPatch) -> Iterator[Recorder]:
    recorder = Recorder()
    monkeypatch.setitem(sys.modules, "lgpio", recorder)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    monkeypatch.setattr("gpiozero.pins.local.LocalPiFactory._get_revision", lambda self: 0xA02082)
    yield recorder
    LocalPiFactory._reservations.clear()  # gpiozero keeps one table for all local factories
    LocalPiFactory.pins.clear()


@pytest.mark.parametrize(("active_high", "rest"), [(False, 1), (True, 0)])
def test_a_line_is_never_claimed_at_its_active_level(lgpio: Recorder, active_high: bool, rest: int) -> None:
    lines = open_lines("lgpio", {"kale": Line(27, active_high)})
    driven = [call for call in lgpio.calls if call[0] in ("claim output", "write")]
    assert driven == [("claim output", 27, rest)]
    assert lines.read("kale") is False


def test_and_freed_without_being_made_a_floating_input(lgpio: Recorder) -> None:
    lines = open_lines("lgpio", {"kale": Line(27, False)})
    lines.set("kale", True)
    assert lines.read("kale") is True
    lines.set("kale", False)
    lgpio.calls.clear()
    lines.release()
    assert lgpio.calls == [("free", 27), ("chip closed",)]


def test_gpiozeros_own_pin_would_blip(lgpio: Recorder) -> None:
    """Why SteadyPin is there. When this fails, gpiozero has been mended and SteadyPin may go."""
    from gpiozero import DigitalOutputDevice
    from gpiozero.pins.lgpio import LGPIOFactory

    DigitalOutputDevice(27, active_high=False, initial_value=False, pin_factory=LGPIOFactory())
    assert ("claim output", 27, 0) in lgpio.calls


def test_a_pin_that_does_not_follow_is_an_error(lgpio: Recorder, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = open_lines("lgpio", {"kale": Line(27, False)})
    monkeypatch.setattr(lgpio, "gpio_write", lambda *_: None)
    with pytest.raises(OSError, match="the line of kale was switched on but reads otherwise"):
        lines.set("kale", True)


def test_lines_claimed_before_one_that_fails_are_given_back() -> None:
    factory = MockFactory()
    with pytest.raises(Exception, match="GPIO99"):
        gpio.Lines(factory, {"beans": Line(17, True), "wrong": Line("GPIO99", True)})
    assert factory.pins == {}


@pytest.mark.parametrize("driver", ["", "module", "module:", ":function"])
def test_a_driver_is_named_in_one_of_two_ways(driver: str) -> None:
    with pytest.raises(ValueError, match='must be "lgpio" or "module:function"'):
        open_lines(driver, {})


def test_importing_lgpio_leaves_the_working_directory_alone(tmp_path: Path) -> None:
    """In a process of its own, for the import happens once; started where nothing can be written."""
    if importlib.util.find_spec("lgpio") is None:
        pytest.skip("lgpio is for the Pi and is not installed here")
    where = tmp_path / "bare"
    where.mkdir()
    code = "import os; from controller.drivers import gpio; gpio._import_lgpio(); print(os.getcwd(), os.listdir())"
    environment = {name: value for name, value in os.environ.items() if name != "LG_WD"}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=where, env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout == f"{where} []\n"
