"""Threads that end by an exception are seen."""

import logging
import threading
from collections.abc import Iterator

import pytest

from controller.drivers.threads import MOST, WITHIN_S, Mishaps


@pytest.fixture
def mishaps() -> Iterator[Mishaps]:
    before = threading.excepthook
    found = Mishaps()
    found.install()
    yield found
    threading.excepthook = before


def stumble(name: str) -> None:
    def run() -> None:
        raise ValueError("a stone")

    thread = threading.Thread(target=run, name=name)
    thread.start()
    thread.join()


def test_what_a_thread_raises_is_logged_with_its_name_and_counted(
    mishaps: Mishaps, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.ERROR):
        stumble("gardener")
    assert mishaps.count == 1
    assert "The thread gardener has ended by an exception." in caplog.text
    assert "ValueError: a stone" in caplog.text


def test_three_within_an_hour_are_too_many_and_old_ones_are_forgiven(mishaps: Mishaps) -> None:
    for n in range(MOST):
        assert not mishaps.too_many(0.0)
        stumble(f"thread {n}")
    first_s = mishaps._at_s[0]
    assert mishaps.too_many(first_s + WITHIN_S - 1.0)
    assert not mishaps.too_many(first_s + WITHIN_S + 1.0)
