"""The demo's picture fits the terminal it is drawn on, and keeps the names of the beds at any width."""

from datetime import timedelta
from pathlib import Path

import pytest
from rich.console import Console

from controller.demo.scene import Scene
from controller.demo.week import demo_world
from controller.sim.world import World


@pytest.fixture(scope="module")
def scene_of(tmp_path_factory: pytest.TempPathFactory) -> dict[int, list[str]]:
    """The frame of the demo's third noon, line by line, at several widths of a terminal of 24 rows."""
    journal: Path = tmp_path_factory.mktemp("demo") / "demo.sqlite"
    scenes: dict[int, Scene] = {}

    def hang_in(world: World) -> None:
        scenes.update({columns: Scene(world, columns, 24) for columns in (80, 100, 136, 200)})
        world.watch = watch

    def watch(world: World) -> None:
        for scene in scenes.values():
            scene.watch(world)

    with demo_world(journal, hang_in, seed=7) as world:
        world.begin()
        world.run(world.clock.utc + timedelta(hours=60))
        return {columns: drawn(scene, columns) for columns, scene in scenes.items()}


def drawn(scene: Scene, columns: int) -> list[str]:
    console = Console(width=columns, height=24, color_system=None)
    with console.capture() as captured:
        console.print(scene.frame())
    return captured.get().splitlines()


@pytest.mark.parametrize("columns", [80, 100, 136, 200])
def test_every_bed_has_its_name_its_water_and_its_whole_day(scene_of: dict[int, list[str]], columns: int) -> None:
    beds = [line for line in scene_of[columns] if " mm" in line]
    names = ["Tomatoes", "Salad seedlings", "Zucchini", "Young citrus", "Pepper pots", "Herb row"]
    assert [line.split("━")[0].strip() for line in beds] == names
    assert all("…" not in line for line in beds)


@pytest.mark.parametrize("columns", [80, 100, 136, 200])
def test_a_frame_fits_the_usual_terminal(scene_of: dict[int, list[str]], columns: int) -> None:
    lines = scene_of[columns]
    assert len(lines) <= 24
    assert max(map(len, lines)) <= columns
