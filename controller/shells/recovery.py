"""What became of openings that nobody saw end: a dead daemon's, read back at the next start."""

from collections.abc import Iterable, Mapping
from typing import Any

from controller.core.events import ValveClosed
from controller.shells.journal import Unfinished


def endings(unfinished: Iterable[Unfinished], words: Mapping[str, Mapping[str, Any]]) -> list[ValveClosed]:
    """How each unfinished opening ended.

    words: the guard's last words by pulse; they are exact. Where it left words but none of this pulse, it never opened
    it. Where it left none at all (power cut), the valve was open for some of its time: half of it, give or take half.
    """
    found = []
    for opening in unfinished:
        word = words.get(opening.pulse)
        if word is not None:
            open_s, why = float(word["open_s"]), str(word["why"])
            water_s = float(word["water_s"]) if "water_s" in word else None  # an older guard did not say
            found.append(ValveClosed(opening.zone, opening.pulse, open_s, why, water_s=water_s))
        elif words:
            found.append(ValveClosed(opening.zone, opening.pulse, 0.0, "never opened"))
        else:
            half_s = opening.seconds / 2.0
            found.append(ValveClosed(opening.zone, opening.pulse, half_s, "end not seen", unsure_s=half_s))
    return found
