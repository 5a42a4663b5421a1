"""The page: whole in itself, shut to scripts, and readable with much, little and hostile content."""

import base64
import hashlib
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest

from controller.core.garden import Fault
from controller.core.moment import Now
from controller.core.site import Site
from controller.core.step import new_garden
from controller.report.page import kept, render_page
from controller.shells.journal import Journal, JournalReader, reading
from tests.report.weeks import demo_site

SITE = demo_site()
HOSTILE = "<script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\">&lt;b&gt;"
LATER = Now(0.0, datetime(2026, 7, 20, 7, tzinfo=UTC))
VOID = {"meta", "br", "hr", "img", "link", "input"}


class Reader(HTMLParser):
    """Elements, attributes and text of a page; complains about elements that do not close in order."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).replace("\N{NO-BREAK SPACE}", " ").split())


def page_of(week: JournalReader, site: Site = SITE) -> str:
    last = week.garden()
    assert last is not None
    return render_page(site, last[0], week, Now(0.0, last[1]))


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[JournalReader]:
    """A journal in which nothing is written yet."""
    Journal(tmp_path / "journal.sqlite").close()
    with reading(tmp_path / "journal.sqlite") as reader:
        yield reader


def hostile_site() -> Site:
    zones = tuple(replace(zone, name=f"{HOSTILE} {zone.id}") for zone in SITE.zones)
    return replace(SITE, name=f"</title></style>{HOSTILE}", zones=zones)


def test_everything_that_matters_is_on_it(week: JournalReader) -> None:
    page = Reader(page_of(week))
    for words in (
        "School kitchen garden", "For your hands", "Water to come", "scorched leaves, dropped flowers",
        "Official heat warnings", "In all since", "give or take", "Given:", "What the plants draw", "39°",
        "L can have passed", "Learnt of this bed so far:", "Herb row", "It has no probe",
    ):  # fmt: skip
        assert words in page.text, words
    for zone in SITE.zones:
        assert zone.name in page.text
    assert page.tags.count("article") == len(SITE.zones)
    assert page.tags.count("svg") == 2 * len(SITE.zones)


def test_it_loads_nothing(week: JournalReader) -> None:
    page = page_of(week)
    read = Reader(page)
    assert not re.search(r"https?:|//[a-z]|url\(|@import|javascript:|data:", page)
    names = {name for name, _ in read.attributes}
    assert not names & {"src", "href", "srcset", "xlink:href", "style", "action", "background", "poster"}
    assert not {name for name in names if name.startswith("on")}
    assert not set(read.tags) & {"script", "img", "iframe", "object", "embed", "link", "form", "base"}


def test_its_policy_forbids_everything_but_its_own_style(week: JournalReader) -> None:
    page = page_of(week)
    [style] = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    assert f'http-equiv="Content-Security-Policy" content="{policy}"' in page


def test_nothing_that_it_is_given_becomes_markup(week: JournalReader) -> None:
    last = week.garden()
    assert last is not None
    fault = Fault("x", HOSTILE, last[1])
    garden = replace(last[0], faults={"x": fault}, plan=replace(last[0].plan, remarks=(HOSTILE,)))
    read = Reader(render_page(hostile_site(), garden, week, Now(0.0, last[1])))
    assert not set(read.tags) & {"script", "img", "b"}
    assert not {name for name, _ in read.attributes if name.startswith("on") or name == "src"}
    assert read.text.count("document.title='taken'") > len(SITE.zones)


def test_it_works_with_an_empty_journal(empty: JournalReader) -> None:
    read = Reader(render_page(SITE, new_garden(SITE, LATER), empty, LATER))
    assert "Nothing now." in read.text
    assert "None is planned." in read.text
    assert "No forecast and no measurement" in read.text
    assert read.tags.count("article") == len(SITE.zones)
    assert "nan" not in read.text.lower().split()


def test_the_same_garden_gives_the_same_page(week: JournalReader, empty: JournalReader) -> None:
    assert page_of(week) == page_of(week)
    garden = new_garden(SITE, LATER)
    assert render_page(SITE, garden, empty, LATER) == render_page(SITE, garden, empty, LATER)


def test_a_journal_long_silent_still_makes_a_page(week: JournalReader) -> None:
    last = week.garden()
    assert last is not None
    much_later = Now(0.0, datetime(2026, 11, 2, 7, tzinfo=UTC))
    assert "School kitchen garden" in Reader(render_page(SITE, last[0], week, much_later)).text


def test_it_is_small_enough_to_send(week: JournalReader) -> None:
    assert len(page_of(week).encode()) < 250_000


def test_a_number_is_not_parted_from_its_unit() -> None:
    assert kept("So 2.4 mm, 21 L on 8 m2") == "So 2.4\u00a0mm, 21\u00a0L on 8\u00a0m²"
    assert kept("at 7 Lemons") == "at 7 Lemons"


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="needs chromium")


def dom_of(file: Path, folder: Path, *options: str) -> str:
    """What a real browser makes of a page."""
    assert CHROMIUM is not None
    command = [
        CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'browser'}",
        "--allow-file-access-from-files", "--virtual-time-budget=3000", *options, "--dump-dom", file.as_uri(),
    ]  # fmt: skip
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stdout


@pytest.mark.real
@needs_chromium
def test_a_browser_runs_nothing_of_it(week: JournalReader, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text(page_of(week, hostile_site()), "utf-8")
    dom = dom_of(file, tmp_path)
    [title] = re.findall(r"<head>.*?<title>(.*?)</title>", dom, re.DOTALL)
    assert title.startswith("&lt;/title&gt;")


@pytest.mark.real
@needs_chromium
def test_it_fits_a_phone(week: JournalReader, tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text(page_of(week).replace("<details>", "<details open>"), "utf-8")
    (tmp_path / "frame.html").write_text(
        "<iframe id=f src=page.html style='width:360px;height:800px'></iframe>"
        "<script>onload=()=>{const d=document.getElementById('f').contentDocument.documentElement;"
        "document.title=d.scrollWidth+' '+d.scrollHeight}</script>",
        "utf-8",
    )
    dom = dom_of(tmp_path / "frame.html", tmp_path, "--window-size=800,900")
    [(width, height)] = re.findall(r"<title>(\d+) (\d+)</title>", dom)
    assert int(width) <= 360
    assert int(height) > 3000
