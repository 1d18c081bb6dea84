"""Items in batches: each once and in order, quick ones together, slow ones apart, killers alone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tieup.archive import batches, engine_tasks
from tieup.archive.batches import MOST, Waiting, first_results


def given_out(number: int, threads: int) -> list[tuple[int, ...]]:
    """Return all batches of so many items."""
    waiting, found = Waiting(number), list[tuple[int, ...]]()
    while batch := waiting.take(threads, alone=False):
        found.append(batch)
    return found


@pytest.mark.parametrize(("number", "threads"), [(0, 1), (1, 8), (7, 2), (300, 2), (2000, 64)])
def test_each_item_is_in_one_batch_in_order(number: int, threads: int) -> None:
    """None is larger than the one before it, the last hold one item for each thread at least."""
    found = given_out(number, threads)
    assert [item for batch in found for item in batch] == list(range(number))
    sizes = [len(batch) for batch in found]
    assert sizes == sorted(sizes, reverse=True)
    assert max(sizes, default=0) <= MOST
    assert sizes[-threads:] == [1] * min(number, threads)


def test_many_items_are_few_batches() -> None:
    """That is what they are for."""
    assert len(given_out(2000, 2)) < 2000 / 20


def test_a_batch_ends_with_its_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """The item that is begun is finished, none is begun later, and one is always done."""
    clock = [0.0]

    def work(seconds: float) -> float:
        clock[0] += seconds
        return -seconds

    monkeypatch.setattr(batches, "monotonic", lambda: clock[0])
    assert first_results(work, [0.25] * 9) == [-0.25] * 4
    assert first_results(work, [60.0, 0.1]) == [-60.0]
    assert first_results(work, [0.0] * 9) == [0.0] * 9


def test_what_was_not_begun_comes_next() -> None:
    """In its order, before all that waits."""
    waiting = Waiting(40)
    batch = waiting.take(1, alone=False)
    assert batch == tuple(range(10))
    waiting.put_back(batch[4:])
    rest = [item for _ in range(40) for item in waiting.take(1, alone=False)]
    assert rest == list(range(4, 40))


def test_a_batch_that_kills_is_tried_item_by_item_when_nothing_else_is_left() -> None:
    """Only what kills alone is given up, not what stood or waited beside it."""
    waiting = Waiting(6)
    first, second = waiting.take(1, alone=False), waiting.take(1, alone=False)
    assert (first, second) == ((0, 1), (2,))
    assert waiting.killed(first) == () and waiting.killed(second) == ()
    assert [waiting.take(1, alone=True) for _ in range(3)] == [(3,), (4,), (5,)]
    assert waiting.take(1, alone=False) == ()
    alone = [waiting.take(1, alone=True) for _ in range(3)]
    assert alone == [(0,), (1,), (2,)]
    assert waiting.killed(alone[1]) == (1,)
    assert waiting.take(1, alone=True) == ()


class Task:
    """A task of an engine that is ready when it is told to."""

    status = "finished"

    def __init__(self, work: Callable[[], Any]) -> None:
        self.result = work

    def add_done_callback(self, told: Callable[[Task], object]) -> None:
        """Keep whom to tell."""
        self.end = lambda: told(self)


class GrowingEngine:
    """An engine to which workers come while nothing is ready; then all of it is."""

    def __init__(self, *threads: int) -> None:
        self.threads, self.tasks, self.most = list(threads), list[Task](), 0

    def nthreads(self) -> dict[str, int]:
        """Let workers come; once all are there, let all tasks be ready."""
        self.most = max(self.most, len(self.tasks))
        if len(self.threads) > 1:
            return {"tcp://a": self.threads.pop(0)}
        for task in self.tasks:
            task.end()
        self.tasks.clear()
        return {"tcp://a": self.threads[0]}

    def submit(self, work: Callable[[], Any], **options: object) -> Task:
        """Take a task."""
        self.tasks.append(Task(work))
        return self.tasks[-1]


def test_workers_that_come_get_work_and_the_engine_holds_no_more_than_it_needs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two tasks for each thread, also while no task ends; none waits for the first to end."""
    monkeypatch.setattr(engine_tasks, "FRESH", 0.0)
    engine = GrowingEngine(1, 1, 4, 4, 4)
    found = list(engine_tasks.Tasks(engine, str, range(500), "tcp://e").results())
    assert sorted(found) == [(number, str(number)) for number in range(500)]
    assert engine.most == 2 * 4
