"""A lane beside the caller: by relation, the answers are those of work done in turn."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import cv2
import pytest

from vision.photo.beside import beside, has_second_core


@pytest.fixture(params=[1, 2], ids=["one core", "two cores"])
def cores(request: pytest.FixtureRequest) -> Iterator[int]:
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    yield request.param
    cv2.setNumThreads(before)


def test_a_second_core_is_used_where_opencv_may_use_two(cores: int) -> None:
    assert has_second_core() is (cores == 2)
    with beside() as lane:
        name = lane.submit(lambda: threading.current_thread().name).result()
    assert (name == threading.current_thread().name) is (cores == 1)


@pytest.mark.usefixtures("cores")
def test_work_is_done_in_the_order_it_was_handed_over() -> None:
    done: list[int] = []
    with beside() as lane:
        for number in range(20):
            lane.submit(done.append, number)
    assert done == list(range(20))


@pytest.mark.usefixtures("cores")
def test_later_work_may_wait_for_earlier_work() -> None:
    with beside() as lane:
        first = lane.submit(lambda: 20)
        second = lane.submit(lambda: first.result() + 1)
    assert second.result() == 21


@pytest.mark.usefixtures("cores")
def test_an_error_comes_out_where_the_result_is_asked_for() -> None:
    with beside() as lane:
        work = lane.submit(int, "none")
        other = lane.submit(int, "7")
    assert other.result() == 7
    with pytest.raises(ValueError, match="none"):
        work.result()


def test_two_things_run_at_the_same_time_on_two_cores() -> None:
    before = cv2.getNumThreads()
    cv2.setNumThreads(2)
    try:
        meet = threading.Barrier(2, timeout=10)
        with beside() as lane:
            other = lane.submit(meet.wait)
            meet.wait()  # in turn, neither would ever get here
        other.result()
    finally:
        cv2.setNumThreads(before)
