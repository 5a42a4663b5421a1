"""Pulses of many zones on one supply: our makespan beside the best known, and the time that it takes.

The file names for each instance its supply, its zones and `best_known_min`; see `pulse_instances.json` beside this.
Only lengths are compared, for the file holds no schedules; so every schedule of ours is checked here for itself.
"""

import argparse
import json
import time
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

from controller.core.interleave import THOROUGH, Chain, Slot, lay_forward
from tests.bench.rows import Row

INSTANCES = Path(__file__).with_name("pulse_instances.json")
MEAN, WORST = 1.02, 1.05
"""The goals for makespan / best known: on the mean of the instances, and on each."""
KEYS = ("id", "supply_l_per_min", "zones", "best_known_min")
ZONE_KEYS = ("id", "pulses", "on_min", "rest_min", "flow_l_per_min")
LONGEST_S = 1.0
"""The goal for the time of one instance: processor seconds on one core."""


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", nargs="?", type=Path, default=INSTANCES, help="instances (default: the ones here)")
    parser.add_argument("--effort", type=int, default=THOROUGH, help="of the search; 0 is the list rule alone")


def rows(options: argparse.Namespace) -> list[Row]:
    """A row for each instance, then the mean, the worst and the slowest. ValueError for a file that has none."""
    each = [_row(instance, options.effort) for instance in read(options.file)]
    ratios = [float(row["ratio"] or 0.0) for row in each]
    slowest_s = max(float(row["ours_s"] or 0.0) for row in each)
    mean, worst = sum(ratios) / len(ratios), max(ratios)
    return [
        *each,
        {"name": "mean", "ratio": round(mean, 4), "goal": MEAN, "meets": mean <= MEAN},
        {"name": "worst", "ratio": worst, "goal": WORST, "meets": worst <= WORST},
        {
            "name": "slowest",
            "ratio": round(slowest_s / LONGEST_S, 4),
            "goal": 1.0,
            "meets": slowest_s <= LONGEST_S,
            "ours_s": slowest_s,
        },
    ]


def read(file: Path) -> list[Mapping[str, Any]]:
    """The instances of a file. OSError if it cannot be read, ValueError if it is not such a file."""
    found = json.loads(file.read_text("utf-8"))
    instances = found.get("instances") if isinstance(found, dict) else None
    if not instances or found.get("time_unit") != "minute":
        raise ValueError(f"{file}: no instances in minutes; expected the format of {INSTANCES.name}")
    for instance in instances:
        missing = [f"{key!r}" for key in KEYS if key not in instance]
        zones = instance.get("zones", ())
        missing += [f"{key!r} of a zone" for key in ZONE_KEYS if any(key not in zone for zone in zones)]
        if missing:
            raise ValueError(f"{file}: instance {instance.get('id', '?')} lacks {', '.join(missing)}")
    return list(instances)


def _row(instance: Mapping[str, Any], effort: int) -> Row:
    chains = chains_of(instance)
    supply_l_min = float(instance["supply_l_per_min"])
    began_s = time.process_time()
    slots = lay_forward(chains, supply_l_min, effort=effort)
    ours_s = time.process_time() - began_s
    faults = list(broken(slots, chains, supply_l_min))
    if faults:
        raise AssertionError(f"{instance['id']}: {'; '.join(faults)}")
    ours_min = max(slot.end_s for slot in slots) / 60.0
    reference_min = float(instance["best_known_min"])
    ratio = ours_min / reference_min
    return {
        "name": instance["id"],
        "ours_min": round(ours_min, 3),
        "reference_min": reference_min,
        "ratio": round(ratio, 4),
        "goal": WORST,
        "meets": ratio <= WORST,
        "ours_s": round(ours_s, 3),
        "proven_min": instance.get("bound_min"),
    }


def chains_of(instance: Mapping[str, Any]) -> list[Chain]:
    return [
        Chain(
            zone["id"],
            (60.0 * zone["on_min"],) * zone["pulses"],
            60.0 * zone["rest_min"],
            float(zone["flow_l_per_min"]),
        )
        for zone in instance["zones"]
    ]


def broken(slots: Sequence[Slot], chains: Sequence[Chain], supply_l_min: float) -> Iterator[str]:
    """What a schedule breaks of count, length, rest and supply, in words."""
    flows = {chain.zone: chain.flow_l_min for chain in chains}
    for chain in chains:
        mine = sorted((slot for slot in slots if slot.zone == chain.zone), key=lambda slot: slot.start_s)
        if [round(slot.end_s - slot.start_s, 6) for slot in mine] != [round(each, 6) for each in chain.pulses_s]:
            yield f"{chain.zone} does not have its pulses"
        if any(b.start_s - a.end_s < chain.rest_s - 1e-6 for a, b in pairwise(mine)):
            yield f"{chain.zone} rests too little"
    for at_s in {slot.start_s for slot in slots}:
        drawn_l_min = sum(flows[slot.zone] for slot in slots if slot.start_s <= at_s < slot.end_s - 1e-6)
        if drawn_l_min > supply_l_min + 1e-6:
            yield f"{drawn_l_min:g} L/min at {at_s:g} s"
