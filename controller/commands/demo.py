"""`seepward demo`: a hot week, sped up, to watch; it ends with the week's log and a page to read."""

import argparse
import sys
import time
from datetime import timedelta
from pathlib import Path

from controller.commands import CommandError

LASTS_S = 40.0
FRAME = timedelta(minutes=15)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Where the results go, and how long it may last."""
    parser.description = (
        "One hot week in July in an invented school kitchen garden, in under a minute: the daemon's own parts on a "
        "virtual clock, with a broker of its own and mock pins. Writes a journal and a page."
    )
    parser.add_argument("--out", type=Path, default=Path("out"), metavar="DIR", help="for journal and page (./out)")
    parser.add_argument("--seconds", type=float, default=LASTS_S, help="how long the week is to last (s); 0: no pause")
    parser.add_argument("--seed", type=int, default=7, help="another seed is another garden")


def run(arguments: argparse.Namespace) -> int:
    """Watch, then read."""
    from rich.console import Console
    from rich.live import Live

    from controller.core.moment import Now
    from controller.demo.scene import Scene
    from controller.demo.week import DAYS, MONDAY, DemoError, demo_config, demo_world, week_end
    from controller.drivers.embedded_broker import BrokerError
    from controller.report.given import watered
    from controller.report.page import render_page
    from controller.report.text import show_log
    from controller.shells.journal import JournalError, reading
    from controller.sim.world import World

    if not 0.0 <= arguments.seconds <= 3600.0:
        raise CommandError("--seconds: give 0 to 3600.", code=2)
    journal, page = arguments.out / "demo.sqlite", arguments.out / "demo.html"
    console = Console(highlight=False)
    scenes: list[Scene] = []

    def hang_in(world: World) -> None:
        scene = Scene(world, console.width, console.height)
        world.outlet = scene
        world.loop.outlet = scene
        world.watch = scene.watch
        scenes.append(scene)

    try:
        arguments.out.mkdir(parents=True, exist_ok=True)
        for leftover in arguments.out.glob("demo.sqlite*"):
            leftover.unlink()
        with demo_world(journal, hang_in, seed=arguments.seed) as world:
            begun_s = time.monotonic()
            world.begin()
            end = week_end(world.clock.utc)
            frames = (end - world.clock.utc) / FRAME
            moving = console.is_terminal
            with Live(console=console, auto_refresh=False, screen=moving, transient=True) as live:
                for number in range(int(frames)):
                    world.run(world.clock.utc + FRAME)
                    ahead_s = begun_s + arguments.seconds * (number + 1) / frames - time.monotonic()
                    if moving:
                        live.update(scenes[0].frame(), refresh=True)
                        time.sleep(max(0.0, ahead_s))
            console.print(scenes[0].frame())
            world.end()
            with reading(journal) as reader:
                rows = watered(reader, world.site, MONDAY, MONDAY + timedelta(days=DAYS))
                now = Now(world.clock.mono_s, world.clock.utc)
                page.write_text(render_page(world.site, world.loop.garden, reader, now), encoding="utf-8")
    except (DemoError, BrokerError, JournalError, OSError) as error:
        raise CommandError(f"The demo stopped: {error}") from None
    console.print()
    show_log(console, world.site, rows, MONDAY, MONDAY + timedelta(days=DAYS - 1))
    console.print(f"\nThe week as a page: {page}", soft_wrap=True)
    further = f"seepward why tomatoes 2026-07-17 --config {demo_config()} --journal {journal}"
    console.print(f"To look further: {further}", soft_wrap=True)
    sys.stdout.flush()
    return 0
