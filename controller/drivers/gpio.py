"""Valve lines on GPIO pins, through gpiozero. A line is claimed at its resting level and never blips.

gpiozero is imported when lines are opened, not before: whoever wants the lines takes the lock first.
"""

import importlib
import os
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Line:
    """One output: `pin` as gpiozero names it (17, "GPIO17", "BOARD11"); `active_high` if high means on."""

    pin: int | str
    active_high: bool


class Lines:
    """The claimed outputs, by name. The driver's own exceptions come through; OSError if a pin disobeys."""

    def __init__(self, factory: Any, lines: Mapping[str, Line]) -> None:
        from gpiozero import DigitalOutputDevice

        self._factory = factory
        self._devices: dict[str, Any] = {}
        try:
            for name, line in lines.items():
                self._devices[name] = DigitalOutputDevice(
                    line.pin, active_high=line.active_high, initial_value=False, pin_factory=factory
                )
        except BaseException:
            self.release()
            raise

    def set(self, name: str, on: bool) -> None:
        """Switch one line and read it back; OSError if the pin did not follow."""
        device = self._devices[name]
        if on:
            device.on()
        else:
            device.off()
        if self.read(name) is not on:
            raise OSError(f"the line of {name} was switched {'on' if on else 'off'} but reads otherwise")

    def read(self, name: str) -> bool:
        """Is the line on (at its active level)?"""
        return bool(self._devices[name].value)

    def release(self) -> None:
        """Give the lines back to the kernel, as they are."""
        for device in self._devices.values():
            device.close()
        self._factory.close()


def open_lines(driver: str, lines: Mapping[str, Line]) -> Lines:
    """Claim every line at rest. `driver`: "lgpio", or "module:function" returning a gpiozero pin factory."""
    return Lines(_factory_function(driver)(), lines)


def _factory_function(driver: str) -> Callable[[], Any]:
    if driver == "lgpio":
        return steady_lgpio_factory
    module, colon, function = driver.partition(":")
    if not (module and colon and function):
        raise ValueError(f'the pin driver must be "lgpio" or "module:function", not {driver!r}')
    found: Callable[[], Any] = getattr(importlib.import_module(module), function)
    return found


def mock_factory() -> Any:
    """Pins that are only remembered: the driver of the demo, "controller.drivers.gpio:mock_factory"."""
    from gpiozero.pins.mock import MockFactory

    return MockFactory()


def steady_lgpio_factory() -> Any:
    """gpiozero's lgpio factory, named outright: the default chain falls back to others with a warning."""
    _import_lgpio()
    import lgpio
    from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin

    class SteadyPin(LGPIOPin):  # type: ignore[misc, unused-ignore]
        """Claims and frees a line in one step each, so that its level never passes through another.

        gpiozero 2.0.1 claims an output low and then writes the level: an active-low relay would blip.
        On close it claims the line as an input without bias: the relay's input would float.
        """

        def output_with_state(self, state: bool) -> None:
            lgpio.gpio_free(self.factory._handle, self._number)
            lgpio.gpio_claim_output(self.factory._handle, self._number, int(state))

        def close(self) -> None:
            # Called once by the device and once more by the factory, which forgets its pins only after.
            if self.factory._handle is not None and not self._freed:
                self._freed = True
                lgpio.gpio_free(self.factory._handle, self._number)

        _freed = False

    factory = LGPIOFactory()
    factory.pin_class = SteadyPin
    return factory


def _import_lgpio() -> None:
    """Import lgpio without its side effects.

    On import it makes a FIFO in the directory named by LG_WD (else the working directory, where it may not
    be allowed to) and changes the process's working directory to it.
    """
    before, named = os.getcwd(), os.environ.get("LG_WD")
    with tempfile.TemporaryDirectory(prefix="lgpio-") as directory:
        os.environ["LG_WD"] = named or directory
        try:
            importlib.import_module("lgpio")
        finally:
            os.chdir(before)
            if named is None:
                del os.environ["LG_WD"]
