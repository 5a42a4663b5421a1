"""Valve lines on GPIO pins, through gpiozero. A line is claimed at its resting level and never blips.

gpiozero is imported when lines are opened, not before: whoever wants the lines takes the lock first.
"""

import importlib
import os
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal


@dataclass(frozen=True, slots=True)
class Line:
    """One output: `pin` as gpiozero names it (17, "GPIO17", "BOARD11"); `active_high` if high means on."""

    pin: int | str
    active_high: bool


@dataclass(frozen=True, slots=True)
class Inlet:
    """One input: `pin` as of a Line; `active_high` if it says on at a high level; `pull` of the pin's own resistor."""

    pin: int | str
    active_high: bool
    pull: Literal["up", "down", "none"] = "up"


class Lines:
    """The claimed outputs and inputs, by name. The driver's own exceptions come through; OSError if a pin disobeys."""

    def __init__(self, factory: Any, lines: Mapping[str, Line], inlets: Mapping[str, Inlet] | None = None) -> None:
        from gpiozero import DigitalOutputDevice

        self._factory = factory
        self._devices: dict[str, Any] = {}
        self._inlets: dict[str, tuple[Any, bool]] = {}
        self._edges: dict[str, list[int]] = {}
        try:
            for name, line in lines.items():
                self._devices[name] = DigitalOutputDevice(
                    line.pin, active_high=line.active_high, initial_value=False, pin_factory=factory
                )
            for name, inlet in (inlets or {}).items():
                self._inlets[name] = _claimed(factory, inlet), inlet.active_high
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

    def says(self, name: str) -> bool:
        """Does the input say on?"""
        device, active_high = self._inlets[name]
        return bool(device.pin.state) is active_high

    def count(self, name: str) -> None:
        """From now on count the pulses of the input; which of its edges is counted does not matter."""
        edges = self._edges[name] = [0]

        def tick() -> None:
            # On the driver's own thread, which an exception would end for good: nothing but this.
            edges[0] += 1

        self._inlets[name][0].when_activated = tick

    def counted(self, name: str) -> int:
        """The pulses since."""
        return self._edges[name][0]

    def release(self) -> None:
        """Give the lines back to the kernel, as they are."""
        for device in (*self._devices.values(), *(device for device, _ in self._inlets.values())):
            device.close()
        self._factory.close()


def open_lines(driver: str, lines: Mapping[str, Line], inlets: Mapping[str, Inlet] | None = None) -> Lines:
    """Claim every line at rest. `driver`: "lgpio", or "module:function" returning a gpiozero pin factory."""
    return Lines(_factory_function(driver)(), lines, inlets)


def _claimed(factory: Any, inlet: Inlet) -> Any:
    from gpiozero import DigitalInputDevice

    if inlet.pull == "none":
        return DigitalInputDevice(inlet.pin, pull_up=None, active_state=True, pin_factory=factory)
    return DigitalInputDevice(inlet.pin, pull_up=inlet.pull == "up", pin_factory=factory)


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
