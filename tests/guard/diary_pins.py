"""Mock pins that write a diary other processes can read: the pin driver "tests.guard.diary_pins:factory".

A row of the diary is `<monotonic ns> <pid> <what> <pin> <level>`; what is claim, set or free. The file is named
by the environment variable SEEPWARD_DIARY. Beside it, two files are knobs for faults: `<diary>.stuck` holds pin
numbers whose level cannot be set, `<diary>.busy` makes claiming fail as a line does that has another owner. And two
stand for what comes in: `<diary>.levels` holds a line "pin level" for each input that is not at its pull, and from
`<diary>.pulses`, lines of the same kind, an input gets so many pulses in all.
"""

import errno
import os
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPin

VARIABLE = "SEEPWARD_DIARY"


def factory() -> Any:
    made = MockFactory()
    made.pin_class = DiaryPin
    return made


class DiaryPin(MockPin):  # type: ignore[misc, unused-ignore]
    def output_with_state(self, state: bool) -> None:
        if (busy := Path(os.environ[VARIABLE] + ".busy")).exists():
            busy.unlink()
            raise OSError(errno.EBUSY, "GPIO busy")
        self._function = "output"
        self._change_state(state)
        self._note("claim", state)

    def _set_pull(self, value: str) -> None:
        super()._set_pull(value)
        if not self._played and self.function == "input":
            self._played = True
            threading.Thread(target=self._pulse, args=(os.environ[VARIABLE],), daemon=True).start()

    def _get_state(self) -> bool:
        given = _numbers(os.environ[VARIABLE] + ".levels").get(self._number) if self.function == "input" else None
        return bool(super()._get_state() if given is None else given)

    _played = False

    def _pulse(self, diary: str) -> None:
        """Play the pulses that the test has asked for, as a flow meter would."""
        done = 0
        while self.function == "input":
            while done < _numbers(diary + ".pulses").get(self._number, 0):
                done += 1
                self.drive_low()
                self.drive_high()
            time.sleep(0.01)

    def _set_state(self, value: bool) -> None:
        stuck = Path(os.environ[VARIABLE] + ".stuck")
        if stuck.exists() and str(self._number) in stuck.read_text().split():
            raise OSError(errno.EIO, "the pin does not answer")
        super()._set_state(value)
        self._note("set", value)

    def close(self) -> None:
        if self.function == "output":
            self._note("free", self._get_state())
        super().close()

    def _note(self, what: str, level: bool) -> None:
        row = f"{time.monotonic_ns()} {os.getpid()} {what} {self._number} {int(level)}\n"
        descriptor = os.open(os.environ[VARIABLE], os.O_WRONLY | os.O_APPEND | os.O_CREAT)
        os.write(descriptor, row.encode())
        os.close(descriptor)


def _numbers(knob: str) -> dict[int, int]:
    try:
        lines = Path(knob).read_text().splitlines()
    except FileNotFoundError:
        return {}
    return {int(pin): int(number) for pin, number in (line.split() for line in lines)}


@dataclass(frozen=True)
class Row:
    at_s: float
    pid: int
    what: str
    pin: int
    level: int


def read(path: Path) -> list[Row]:
    if not path.exists():
        return []
    rows = [line.split() for line in path.read_text().splitlines(keepends=True) if line.endswith("\n")]
    return [Row(int(ns) / 1e9, int(pid), what, int(pin), int(level)) for ns, pid, what, pin, level in rows]
