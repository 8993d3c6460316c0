"""Who grades: in this process one after the other, and with one thread each where several do."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import pytest

from app.folder import workers
from app.folder.photo import Graded
from app.folder.workers import Work, on_cluster, on_jobs, one_thread_each
from app.request import Request
from rules.errors import CuproscopeError
from rules.sheet import load_sheet

REQUEST = Request(sheet=load_sheet("house"))


def work(*names: str) -> Iterator[Work]:
    for name in names:
        yield Work(path=Path(name), name=name, digest=f"hash of {name}")


def graded(name: str) -> Graded:
    return Graded(sha256="", name=name, outcome=0, line="{}")


def test_one_job_grades_here_in_order_and_no_sooner_than_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    done: list[str] = []

    def stand_in(path: Path, name: str, request: Request, flash: Path | None) -> Graded:
        done.append(name)
        return graded(name)

    monkeypatch.setattr(workers, "grade_file", stand_in)
    answers = on_jobs(1, REQUEST)(work("a", "b", "c"))
    assert done == []
    assert next(answers) == ("hash of a", graded("a"))
    assert done == ["a"], "the rest waits until it is asked for"
    assert [digest for digest, _ in answers] == ["hash of b", "hash of c"]


def test_threads_are_one_meanwhile_and_as_before_after(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    with one_thread_each():
        assert os.environ["OMP_NUM_THREADS"] == os.environ["MKL_NUM_THREADS"] == "1"
    assert os.environ["OMP_NUM_THREADS"] == "7"
    assert "MKL_NUM_THREADS" not in os.environ


def test_threads_are_as_before_after_a_fault_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    with pytest.raises(ValueError, match="broken"), one_thread_each():
        raise ValueError("broken")
    assert os.environ["OMP_NUM_THREADS"] == "7"


def test_what_was_at_work_when_a_process_died_is_done_again() -> None:
    whole, dead = Future[Graded](), Future[Graded]()
    whole.set_result(graded("a"))
    dead.set_exception(BrokenProcessPool())
    first, second = work("a", "b")
    pending, lost = {whole: first, dead: second}, list[Work]()
    told = list(workers._finished(pending, lost))
    assert told == [("hash of a", graded("a"))]
    assert lost == [second]
    assert pending == {}


@pytest.mark.parametrize("address", ["nowhere", "tcp://127.0.0.1:1"])
def test_a_cluster_that_is_not_there_is_named(
    monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    distributed = pytest.importorskip("distributed")

    def refuse(*_: object, **__: object) -> None:
        raise OSError("connection refused")

    monkeypatch.setattr(distributed, "Client", refuse)
    with pytest.raises(CuproscopeError, match="can't be reached") as fault:
        list(on_cluster(address, REQUEST)(work("a")))
    assert fault.value.where == address
