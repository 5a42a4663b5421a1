"""A good config to spoil, and the lines that spoiling it gives. Invented data."""

import tempfile
from pathlib import Path

from controller.settings import ConfigError, Settings, load

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = tuple(sorted(CONFIG.glob("*.toml")))

GOOD = """\
[site]
id = "plot"
name = "Plot"
latitude = 38.57
longitude = -7.91
elevation_m = 240
timezone = "Europe/Lisbon"

[mqtt]
username = "seepward"
password_file = "/etc/seepward/mqtt-password"

[guard]
longest_open_min = 30
most_open_min_24h = 240

[heat]
hot_day_c = 37
mild_day_c = 26

[watering]
rain_sure = 0.7
allowed = [{ from = 20:00:00, until = 09:00:00 }]

[supply]
capacity_l_min = 12
master = { pin = 17, lead_s = 2, trail_s = 2 }

[[zone]]
id = "tomatoes"
area_m2 = 12
crop = "tomato"
planted = 2026-04-25
soil = { texture = "loamy sand", field_capacity = 0.15, wilting_point = 0.06 }
valve = { pin = 22, active = "high" }
line = { kind = "dripline", emitter_flow_l_h = 1.6, emitter_spacing_m = 0.3, length_m = 20, under_mulch = true }
mulch = { kind = "straw", depth_cm = 6 }

[[zone]]
id = "salad"
area_m2 = 4
crop = "lettuce"
soil = "sandy loam"
longest_open_min = 20
valve = { pin = 23 }
line = { kind = "weeper hose", flow_l_h_m = 5, length_m = 8 }

[[zone]]
id = "peppers"
crop = "capsicum"
valve = { pin = 5, active = "low" }
line = { kind = "drippers", emitter_flow_l_h = 2, count = 8 }
pots = { count = 4, volume_l = 30 }

[[sensor]]
id = "probe"
kind = "soil moisture"
zone = "tomatoes"
topic = "garden/tomatoes"
pointer = "/moisture"
unit = "raw"
calibration = [[2600, 0.05], [1700, 0.15]]

[[sensor]]
id = "air"
kind = "air temperature"
topic = "garden/air"
unit = "°C"
"""


def loaded(text: str | bytes) -> Settings:
    """What a file of this content loads as."""
    with tempfile.TemporaryDirectory() as directory:
        file = Path(directory) / "garden.toml"
        file.write_bytes(text.encode() if isinstance(text, str) else text)
        return load(file)


def edited(old: str, new: str) -> str:
    """The good config with one passage changed; the passage must be there."""
    assert GOOD.count(old) >= 1, f"the good config has no {old!r}"
    return GOOD.replace(old, new, 1)


def lines_of(text: str | bytes) -> list[str]:
    """The lines its mistakes give, from the file's name on; none if it is good."""
    try:
        loaded(text)
    except ConfigError as error:
        return [line[line.index("garden.toml") :] for line in error.lines]
    return []
